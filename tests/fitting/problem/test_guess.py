"""Starts: the best optimum is found without anybody's help."""

from __future__ import annotations

import driver_bench as bench
import numpy as np
import pytest

from fit.driver.models import COILS
from fit.joint import fit_driver
from fit.search.guess import Search
from meas.curve import ImpedanceCurve, MagnitudeCurve
from meas.errors import Refused


def _random_driver(seed, *, coil=None):
    """Resonance 15 Hz to 3 kHz, Qms 0.5 to 20, Qes 0.2 to 6, Re 2 to 16, Le up to 3 mH.

    The band is cut at either end, sometimes just beyond the resonance; noise 60 to 100 dB down.
    """
    rng = np.random.default_rng(seed)

    def between(low, high):
        return float(np.exp(rng.uniform(np.log(low), np.log(high))))

    fs, Qms, Qes, Re = between(15, 3000), between(0.5, 20), between(0.2, 6), between(2, 16)
    Le = rng.uniform(0, 3e-3) * rng.choice([1.0, 0.1])
    low, high = max(5.0, fs / between(1.05, 12)), min(22e3, fs * between(1.3, 200))
    f = np.geomspace(low, high, int(rng.choice([100, 250])))
    s = 2j * np.pi * f
    w0 = 2 * np.pi * fs
    kind = rng.integers(3) if coil is None else coil
    zc = [
        s * Le,
        Le * (2 * np.pi * 1000) ** 0.3 * s**0.7,
        s * Le * 0.4 + 1 / (1 / (s * Le * 0.6) + 1 / (Le * 6000)),
    ][kind]
    z = Re + zc + Re * Qms / Qes / (1 + Qms * (s / w0 + w0 / s))
    sigma = np.full(f.size, 10 ** (-rng.uniform(60, 100) / 20) * np.sqrt(np.mean(np.abs(z) ** 2)))
    data = z + sigma * (rng.standard_normal(f.size) + 1j * rng.standard_normal(f.size))
    truth = {"Re": Re, "fs": fs, "Qms": Qms, "Qes": Qes}
    return ImpedanceCurve(f, data, sigma), truth


def _off(fit, truth):
    """Greatest error of the parameters in their own standard uncertainties."""
    return max(
        abs(np.log(fit.parameters[name].value / value))
        / (fit.parameters[name].standard_uncertainty / fit.parameters[name].value)
        / fit.parameters[name].widening
        for name, value in truth.items()
    )


@pytest.mark.parametrize("block", range(4))
def test_random_drivers_are_found(block):
    """Nothing refused and nothing beyond 4.5 standard uncertainties.

    4 x 20 normal errors pass that at random with a chance of 5e-4; a wrong optimum is off by
    tens.
    """
    for seed in range(20 * block, 20 * block + 20):
        measured, truth = _random_driver(seed)
        fit = fit_driver([bench.free("take", measured)], bench.SESSION)
        assert _off(fit, truth) < 4.5, (seed, truth)


def test_a_magnitude_alone_is_found():
    """Magnitudes without phase, band and driver at random; wide bands only.

    What is refused is not wrong; but most have to be found.
    """
    found = 0
    for seed in range(16):
        measured, truth = _random_driver(1000 + seed, coil=seed % 2)
        measured = MagnitudeCurve(
            measured.frequency_hz, measured.magnitude_ohm, measured.standard_uncertainty_ohm
        )
        try:
            fit = fit_driver([bench.free("table", measured)], bench.SESSION)
        except Refused:
            continue
        found += _off(fit, truth) < 4.5
    assert found >= 14


@pytest.mark.parametrize("coil", COILS, ids=lambda coil: coil.name)
def test_first_start_is_near(coil):
    """Variable projection on the grid lands within a grid step of the truth."""
    d = bench.WOOFER
    measured = bench.curve(d.impedance(bench.FREQUENCY), np.random.default_rng(1))
    start = Search(measured).starts(coil)[0]
    fs = np.exp(start[2]) / (2 * np.pi)
    assert fs == pytest.approx(d.truth["fs"], rel=0.05)
    assert np.exp(start[2] - start[3]) == pytest.approx(d.truth["Qms"], rel=0.6)
