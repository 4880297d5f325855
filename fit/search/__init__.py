"""Which models are tried, from which starts, and which the data ask for."""
