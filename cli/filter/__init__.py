"""Solve a crossover into measured drivers and say what it does: `freeair filter`."""
