"""Impedance curves in open formats, in and out."""
