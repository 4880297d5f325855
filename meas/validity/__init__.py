"""Criteria by which a recording supports its curve, one in each file."""
