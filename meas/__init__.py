"""Measuring: from a sound card or a recording to a trusted impedance curve."""
