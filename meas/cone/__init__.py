"""Signs of the cone itself beside its impedance: harmonics, rub, polarity."""
