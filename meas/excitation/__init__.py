"""Signals to play: sweep, multisine, stepped sine."""
