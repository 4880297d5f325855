"""Values that standards fix."""

ROOM = 293.15
"""Temperature that the resistance of a coil is stated at, 20 C [K] (IEC 60028)."""
COPPER_PER_KELVIN = 0.00393
"""Temperature coefficient of copper's resistance at 20 C [1/K] (IEC 60028)."""
REFERENCE_PRESSURE = 20e-6
"""Reference of sound pressure level [Pa] (ISO 1683)."""
