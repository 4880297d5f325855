"""Recording and rig in, curve and findings out, kept as a folder."""
