"""One input only: a known resistor first."""
