"""Commands that play, or read a recording, and keep a take."""
