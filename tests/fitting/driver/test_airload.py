"""Air that moves with a cone."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from driver_bench import Driver, curve, free, stated, with_area
from scipy.special import struve

from fit.given.air_load import air_load
from fit.joint import fit_driver

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


def test_a_face_plate_moves_more_air_with_weighed_parts():
    """A dome of 25 mm across and 0.25 g: 8/3 rho a^3 more air in a baffle."""
    a = 12.5e-3
    d = Driver(Re=5.8, Mms=0.27e-3, Cms=110e-6, Rms=0.15, Bl=2.4, Sd=np.pi * a**2, K=2e-3)
    f = np.geomspace(200, 20e3, 100)
    rng = np.random.default_rng(1)
    take = free("dome", curve(d.impedance(f), rng, frequency=f))
    weighed = replace(with_area(d.Sd, 1e-6), moving_parts=stated(0.25e-3, 1e-6, "moving-parts"))
    masses = [
        fit_driver([take], replace(weighed, mounting=mounting)).parameters["Mms"].value
        for mounting in ("free", "baffle")
    ]
    assert masses[1] - masses[0] == pytest.approx(8 / 3 * 1.2 * a**3, rel=0.01)
