"""Files read within bounds, written whole or not at all."""
