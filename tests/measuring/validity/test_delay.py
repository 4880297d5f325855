"""Inputs that nobody compared: what the coil tells of the delay between them.

Drivers come from `world`, which shares no code with `meas`; a divider and a delay are written out
here.
"""

from __future__ import annotations

import numpy as np
import pytest
from world import curves, driver

from meas.bench.rig import Rig, Wiring
from meas.validity.of_delay import difference_shown_by_coil

RATE = 48000
NOISE = 3e-5


def heard(index, side, drawn=None, seed=11):
    """Frequencies, ratio and rig of a bench off by up to a sample and 3 %, and the delay."""
    rng = np.random.default_rng((seed, index))
    if drawn is None:
        unit = driver.draw(rng)
        low = float(np.clip(unit.truth["fs"] / 5, 6, 200))
        f = np.geomspace(low, 20000, round(40 * np.log2(20000 / low)))
        z = unit.impedance(2j * np.pi * f)
    else:
        f, z = drawn(rng)
    R = float(rng.choice([4.7, 10, 22, 47])) if side == "hot" else 10.0
    delay, gain = rng.uniform(-1, 1), rng.uniform(-0.03, 0.03)
    ratio = (z if side == "hot" else R) / (R + z) * (1 + gain)
    ratio = ratio * np.exp(-2j * np.pi * f * delay / RATE)
    ratio = ratio + NOISE * (rng.normal(size=f.size) + 1j * rng.normal(size=f.size))
    return f, ratio, Rig(name="it", wiring=Wiring(series_resistor_ohm=R, resistor_side=side)), delay


def told(f, ratio, rig):
    return difference_shown_by_coil(f, ratio, np.full(f.size, NOISE**2), rig, RATE)


@pytest.mark.parametrize("side", ["hot", "ground"])
def test_a_delay_is_told_by_the_coil(side):
    """Power laws and ladders, woofers to tweeters: mostly to a twentieth of a sample, and truly.

    An interval of two standard uncertainties leaves out one in twenty; of 12 more than three once
    in 50 such tests.
    """
    missed, close = 0, 0
    for index in range(12):
        f, ratio, rig, delay = heard(index, side)
        found = told(f, ratio, rig)
        if found is None:
            continue
        close += found.delay_uncertainty < 0.1
        missed += abs(found.delay_samples - delay) > 2 * found.delay_uncertainty
    assert missed <= 3
    assert close >= 7


def test_more_than_one_resonance_tells_less_and_no_lie():
    """Boxes, loose parts and frames that move: the poles are not those that are looked for."""
    missed = 0
    for index in range(12):
        f, ratio, rig, delay = heard(index, "hot", curves.draw)
        found = told(f, ratio, rig)
        missed += found is not None and abs(found.delay_samples - delay) > (
            2 * found.delay_uncertainty
        )
    assert missed <= 3


def test_a_capacitor_tells_nothing():
    """In parallel with the coil it is the delay that is looked for; alone it is no coil."""
    f = np.geomspace(20, 20000, 300)
    z = 0.1 + 1 / (2j * np.pi * f * 4.7e-6)
    rig = Rig(name="it", wiring=Wiring(series_resistor_ohm=10.0))
    assert told(f, z / (10 + z), rig) is None
    assert told(f[:30], (z / (10 + z))[:30], rig) is None


def test_taking_it_out_gives_the_impedance():
    f, ratio, rig, _ = heard(3, "hot")
    found = told(f, ratio, rig)
    assert found is not None
    left = found.taken_out(f, ratio, RATE)
    back = left * (1 + found.gain) * np.exp(-2j * np.pi * f * found.delay_samples / RATE)
    assert back == pytest.approx(ratio, rel=1e-12)
    assert found.narrowed(rig).assumptions.mismatch_delay_samples < 0.5
