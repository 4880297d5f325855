"""From samples to the ratio of the two inputs with its variance."""
