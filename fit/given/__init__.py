"""What goes into a fit: curves under conditions, stated values, air, prior widths."""
