"""Signs of the cone beside its impedance: harmonics, rub, polarity."""
