"""Criteria by which a recording supports its curve, one a file."""
