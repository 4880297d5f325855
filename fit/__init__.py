"""Estimating and judging: from impedance curves to a driver's parameters."""
