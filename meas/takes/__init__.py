"""Recording and rig in, curve and findings out; the result as a folder on disk."""
