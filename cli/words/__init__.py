"""What people write on the command line, read strictly into SI values with limits."""
