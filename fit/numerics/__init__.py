"""Small numerical tools that know nothing of drivers."""
