"""The physics of a driver as impedances with derivatives."""
