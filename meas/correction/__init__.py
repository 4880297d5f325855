"""From the ratio of the two inputs to ohms, by whatever standards were measured."""
