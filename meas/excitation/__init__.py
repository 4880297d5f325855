"""Signals that are played: sweep, multisine, stepped sine."""
