"""Voice-coil models, one file each."""
