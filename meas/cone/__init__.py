"""What the cone itself shows beside its impedance: harmonics, rub, polarity."""
