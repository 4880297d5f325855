"""Whatever holds a curve, a fit, a part or targets, opened by its name."""
