"""What passivity demands of a curve."""
