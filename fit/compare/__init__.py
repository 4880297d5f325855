"""Two fits or more side by side, with the errors they share taken out."""
