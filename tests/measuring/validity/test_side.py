"""On which side of the driver the resistor is, and on which side of the sweep the resonance.

Drivers come from `world`, which shares no code with `meas`; the divider is written out here.
"""

from __future__ import annotations

import numpy as np
import pytest
from world import driver

from meas.bench.rig import Rig, Wiring
from meas.correction.divider import from_ratio
from meas.curve import ImpedanceCurve
from meas.validity.of_delay import difference_shown_by_coil
from meas.validity.of_resonance import outside
from meas.validity.of_side import wrong_side

RATE, NOISE = 48000, 3e-5


def seen(index, *, side, said, low=0.2, blocked=False):
    """The curve as the rig reads it whose inputs differ by up to a sample and 3 %."""
    rng = np.random.default_rng((17, index))
    unit = driver.draw(rng)
    f = np.geomspace(low * unit.truth["fs"], 20000, 160)
    s = 2j * np.pi * f
    z = unit.Re + unit.coil(s) if blocked else unit.impedance(s)
    R, delay, gain = float(rng.choice([4.7, 10, 22])), rng.uniform(-1, 1), rng.uniform(-0.03, 0.03)
    ratio = (z if side == "hot" else R) / (R + z) * (1 + gain)
    ratio = ratio * np.exp(-2j * np.pi * f * delay / RATE)
    ratio = ratio + NOISE * (rng.normal(size=f.size) + 1j * rng.normal(size=f.size))
    wiring = Wiring(series_resistor_ohm=R, resistor_side=said)
    z, u = from_ratio(ratio, np.full(f.size, NOISE**2), wiring)
    return ImpedanceCurve(f, z, u), Rig(name="it", wiring=wiring)


def codes(curve, rig):
    return [one.code for one in wrong_side(curve, rig, RATE, calibrated=False)]


@pytest.mark.parametrize("low", [0.2, 1.5, 3.0])
@pytest.mark.parametrize(("side", "said"), [("hot", "ground"), ("ground", "hot")])
def test_the_side_is_told_whether_the_sweep_holds_the_resonance_or_not(side, said, low):
    """Four drivers each: wrong is named, right is not, also with the resonance below the sweep."""
    for index in range(4):
        assert codes(*seen(index, side=side, said=said, low=low)) == ["wrong-resistor-side"]
        assert codes(*seen(index, side=side, said=side, low=low)) == []


def test_a_coil_that_cannot_move_says_nothing_of_its_side_being_wrong():
    for index in range(6):
        assert codes(*seen(index, side="hot", said="hot", blocked=True)) == []


def test_the_tail_of_a_resonance_below_the_sweep():
    """Newton and Hooke: above its resonance a cone is a capacitance, below it an inductance."""
    for index in range(12):
        unit = driver.draw(np.random.default_rng((18, index)))
        f = np.geomspace(1.3 * unit.truth["fs"], 20000, 160)
        assert outside(f, unit.impedance(2j * np.pi * f)) == "below"
        f = np.geomspace(0.1, 0.5, 80) * unit.truth["fs"]
        if unit.truth["Qms"] > 1.5:  # below, the losses hide the growth
            assert outside(f, unit.impedance(2j * np.pi * f)) == "above"
        f = np.geomspace(0.2 * unit.truth["fs"], 20000, 160)
        assert outside(f, unit.impedance(2j * np.pi * f)) is None


@pytest.mark.parametrize("side", ["hot", "ground"])
@pytest.mark.parametrize(
    "part",
    [lambda s: 0.05 + 1 / (s * 2.35e-6), lambda s: 0.4 + s * 1e-3, lambda s: 8.2 + s * 1e-6],
    ids=["capacitor", "inductor", "resistor"],
)
def test_a_part_tells_the_delay_between_inputs_that_nobody_compared(side, part):
    """Nodes of source, resistor and part by Kirchhoff: conductances times potentials are zero."""
    rng = np.random.default_rng(3)
    f = np.geomspace(10, 20000, 200)
    z, R, delay = part(2j * np.pi * f), 10.0, 0.61
    first, second = (R, z) if side == "hot" else (z, R)
    middle = (1 / first) / (1 / first + 1 / second)
    ratio = 1.02 * middle * np.exp(-2j * np.pi * f * delay / RATE)
    ratio = ratio + NOISE * (rng.normal(size=f.size) + 1j * rng.normal(size=f.size))
    rig = Rig(name="it", wiring=Wiring(series_resistor_ohm=R, resistor_side=side))
    found = difference_shown_by_coil(f, ratio, np.full(f.size, NOISE**2), rig, RATE, part=True)
    assert found is not None
    assert abs(found.delay_samples - delay) < 2 * found.delay_uncertainty
    # A lossy part may look like a delay, hence twice what the circuit tells (campaign of parts);
    # half of what the rig leaves open, a rectangle, is known all the same.
    assert found.delay_uncertainty < 0.5 * rig.assumptions.mismatch_delay_samples / np.sqrt(3)
