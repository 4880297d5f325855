"""Measure a passive part: `freeair part`."""
