"""Takes that ask for a coil which nobody can wind are refused; truth is from `world`."""

from __future__ import annotations

import driver_bench as bench
import numpy as np
import pytest
from world import driver as of_world

from fit.given.in_python import in_free_air, session
from fit.joint import fit_driver
from meas.curve import ImpedanceCurve
from meas.errors import Refused

D = bench.WOOFER
F = np.geomspace(5, 5e3, 220)
NOISE = 2e-4


def fitted(ohm: float, corner_hz: float):
    """Fit of a woofer whose coil gains so many ohms from a corner on, which eddy currents give."""
    sections = ((ohm, ohm / (2 * np.pi * corner_hz)),)
    unit = of_world.Driver("it", D.Re, D.Bl, D.Mms, D.Cms, D.Rms, D.Sd, L=4e-4, sections=sections)
    z = unit.impedance(2j * np.pi * F)
    scatter = np.random.default_rng(3).normal(size=(2, F.size))
    curve = ImpedanceCurve(F, z * (1 + NOISE * (scatter[0] + 1j * scatter[1])), NOISE * np.abs(z))
    return fit_driver([in_free_air(curve)], session(pressure=(101325, 200)))


@pytest.mark.parametrize(("ohm", "corner_hz"), [(4.0, 2.8), (2.0, 2.8), (0.5, 8.0), (1.0, 10.0)])
def test_resistance_below_the_resonance_is_no_coil(ohm, corner_hz):
    """The driver of 43 Hz: the takes alone cannot share such ohms between the coil and Re."""
    with pytest.raises(Refused) as refused:
        fitted(ohm, corner_hz)
    (reason,) = refused.value.reasons
    assert reason.code == "not-a-coil"
    assert f"{ohm:.2g} ohm" in reason.text


def test_eddy_currents_above_the_resonance_are_one():
    fit = fitted(2.0, 700.0)
    low, high = fit.parameters["Re"].interval_95
    assert low < D.Re < high
    assert not fit.warnings
