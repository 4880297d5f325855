"""What is played: sweep, multisine, stepped sine."""
