"""The command line and everything it shows."""
