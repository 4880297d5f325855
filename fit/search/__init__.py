"""Candidate models, their starts, and the choice that the data ask for."""
