"""Any file read whole within bounds or written whole or not at all, with faults in words."""
