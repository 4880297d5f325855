"""Inputs of a fit: curves under conditions, stated values, air, prior widths."""
