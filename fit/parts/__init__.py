"""A passive part measured on the same bench."""
