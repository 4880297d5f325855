"""The bench in a window: `freeair open`."""
