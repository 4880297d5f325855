"""Whether a recording supports its curve, one criterion a file."""
