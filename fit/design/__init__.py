"""Decisions before building: wire, winding, wishes, the series resistor."""
