"""Air that moves with a cone."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.special import struve

from fit.airload import air_load

RHO, C, A = 1.2, 343.0, 0.1


def _reactance_mass(ka):
    """Piston in an infinite baffle: X = rho c pi a^2 H1(2 ka)/ka on each side, over omega.

    P. M. Morse, K. U. Ingard, Theoretical Acoustics (1968), 7.4; H1 of scipy.
    """
    return RHO * C * np.pi * A**2 * struve(1, 2 * ka) / ka / (ka * C / A)


def test_baffle_is_the_low_limit_of_the_pistons_reactance():
    """The series goes with (ka)^2: at ka = 0.01 the limit is reached to 1e-4."""
    assert air_load(RHO, A, "baffle") == pytest.approx(2 * _reactance_mass(0.01), rel=1e-4)


def test_it_falls_towards_high_frequencies():
    masses = [_reactance_mass(ka) for ka in (0.01, 0.5, 2.0, 50.0)]
    assert masses == sorted(masses, reverse=True)
    assert masses[-1] < 1e-3 * masses[0]


def test_free_is_half_of_it():
    """A disc moving in free air: 8/3 rho a^3 in all (H. Lamb, Hydrodynamics, art. 102)."""
    assert air_load(RHO, A, "free") == pytest.approx(8 / 3 * RHO * A**3)
    assert 2 * air_load(RHO, A, "free") == pytest.approx(air_load(RHO, A, "baffle"))
