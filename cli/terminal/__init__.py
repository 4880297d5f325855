"""Words and pictures of a command, and the one boundary where errors become exit status."""
