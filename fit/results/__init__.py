"""Estimates with their error sources, judged, in words, saved."""
