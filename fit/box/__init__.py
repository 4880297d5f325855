"""Enclosures: predicted from a saved fit, and the finished one as built."""
