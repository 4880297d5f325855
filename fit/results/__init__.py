"""What comes out: estimates with their error sources, judged, in words, saved."""
