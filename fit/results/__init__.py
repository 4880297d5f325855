"""Results of a fit: estimates with their error sources, judged, in words, saved."""
