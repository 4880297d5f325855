"""Fit a whole archive anew in parallel, and show what came out: `freeair refit`."""
