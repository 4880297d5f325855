"""Plan a driver: its coil and its targets, by `freeair wind` and `freeair targets`."""
