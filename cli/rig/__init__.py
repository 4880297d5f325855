"""Describe, wire, level, calibrate and check a bench: `freeair rig`."""
