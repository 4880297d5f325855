"""Fit, compare, follow against level, export: `freeair fit`, `compare`, `levels`, `export`."""
