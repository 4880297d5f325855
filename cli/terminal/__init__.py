"""What a command says and shows, and the one boundary where errors become exit status."""
