"""The interval of a driver is wider than that of its recording, and says by what."""

from __future__ import annotations

import math

import driver_bench as bench
import numpy as np
import pytest
from world import driver

from fit.compare import sitting
from fit.compare.changes import compare
from fit.joint import fit_driver
from fit.results import store

F = np.geomspace(10.0, 5e3, 60)
D = bench.WOOFER


def fitted(seed):
    curve = bench.curve(D.impedance(F), np.random.default_rng(seed), noise=1e-4, frequency=F)
    return fit_driver([bench.free("free", curve)], bench.SESSION, model="lossy")


@pytest.fixture(scope="module")
def alone():
    return fitted(1)


@pytest.mark.parametrize("held", sitting.MOVING_FRAME)
def test_the_recordings_own_interval_stays_beside(alone, held):
    whole = sitting.of_driver(alone, held, "lark")
    for name, estimate in whole.parameters.items():
        was, kept = alone.parameters[name], estimate.of_this_recording
        assert estimate.value == was.value
        assert kept.standard_uncertainty == pytest.approx(was.standard_uncertainty, rel=1e-9)
        width = was.interval_95[1] - was.interval_95[0]
        assert kept.interval_95[1] - kept.interval_95[0] == pytest.approx(width, rel=0.02), name
        assert estimate.interval_95[0] <= was.interval_95[0] < was.interval_95[1]
        assert estimate.interval_95[1] >= was.interval_95[1]


def test_nothing_of_one_take_is_known_to_a_thousandth(alone):
    """Suspension 1 % in stiffness alone is 0.5 % of fs, twice that at 95 %."""
    for held in sitting.MOVING_FRAME:
        whole = sitting.of_driver(alone, held)
        for name in ("Re", "fs", "Qms", "Qes", "Qts"):
            estimate = whole.parameters[name]
            assert estimate.interval_95[1] / estimate.value - 1 > 4e-3, (held, name)


def test_an_interval_grows_with_the_freedom_of_the_frame(alone):
    size = [
        sitting.of_driver(alone, held).parameters["fs"].standard_uncertainty
        for held in ("clamped", "magnet-down", "hand")
    ]
    assert size == sorted(size)


@pytest.mark.parametrize("times", [30.0, 60.0])
def test_a_free_frame_lies_within_the_interval(alone, times):
    """A frame of 30 and 60 times the moving mass on nothing: fs rises by sqrt(1 + M/Mf) - 1, by
    Newton's laws, which the interval of 'hand' holds and, from 50 times on, 'magnet-down' does."""
    unit = driver.Driver("it", 6.0, 6.0, 0.02, 1e-3, 1.0, 0.02)
    s = 2j * np.pi * np.linspace(20, 60, 40001)
    free, fixed = (
        s.imag[np.argmax(np.abs(1 / unit.mechanical(s, held)))] / (2 * np.pi)
        for held in (driver.frame(times * unit.M, 0.0, 1.0), None)
    )
    shift = math.log(free / fixed)
    assert shift == pytest.approx(0.5 * math.log(1 + 1 / times), rel=0.02)
    held = "hand" if times < 50 else "magnet-down"
    estimate = sitting.of_driver(alone, held).parameters["fs"]
    assert shift < math.log(estimate.interval_95[1] / estimate.value)


def test_a_comparison_counts_mounting_once_and_the_frame_not_at_all(alone):
    """Two sittings of one unit held alike: the frame is the same, mounting each its own."""
    other = fitted(2)
    bare = compare(alone, other).change("fs")
    whole = compare(*(sitting.of_driver(one, "magnet-down", "lark") for one in (alone, other)))
    change = whole.change("fs")
    assert change.standard_uncertainty == pytest.approx(bare.standard_uncertainty, rel=1e-6)
    assert change.change_relative == bare.change_relative


def test_both_intervals_are_saved_and_read_back(alone):
    whole = sitting.of_driver(alone, "clamped", "lark")
    document = store.to_json(whole, unit="lark", verdicts=(), findings=(), warnings=())
    fs = document["parameters"]["fs"]
    low, high = fs["of_this_recording"]["interval_95"]
    assert fs["interval_95"][0] < low < fs["value"] < high < fs["interval_95"][1]
    back = store.from_json(document).parameters["fs"]
    assert back.interval_95 == pytest.approx(whole.parameters["fs"].interval_95)
    assert list(back.of_this_recording.interval_95) == pytest.approx([low, high])
