"""A known resistor first, then the driver: one input only."""
