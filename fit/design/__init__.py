"""Decisions before anything is built: wire, winding, wishes, the series resistor."""
