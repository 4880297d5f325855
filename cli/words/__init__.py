"""Words of the command line, read strictly into SI values with limits."""
