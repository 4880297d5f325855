"""Impedance while hands work on the cone: the last period of a multisine."""

from __future__ import annotations

import numpy as np
import pytest

from meas.audio.simulated_bench import SimulatedBench
from meas.bench.rig import Card, Drive, Rig, Wiring
from meas.bench.simulated_settings import SimulatedSettings
from meas.takes.watching import QUIET, excitation, look

RIG = Rig(
    name="a", wiring=Wiring(series_resistor_ohm=10.0), card=Card(device="simulated"),
    drive=Drive(level=0.4, woofer=True),
)  # fmt: skip


def bench(**true: float) -> SimulatedBench:
    return SimulatedBench(SimulatedSettings(seed=1, **true), RIG.wiring)


@pytest.mark.parametrize("fs", [31.0, 48.0, 90.0])
@pytest.mark.parametrize("ends_at", [1.0, 0.83, 0.71])
def test_the_curve_is_that_of_the_circuit_wherever_the_period_ends(
    fs: float, ends_at: float
) -> None:
    """|Z| by the circuit's own formula at every line; noise of 20 uV behind 0.1 V leaves 1e-3."""
    quiet, stimulus = excitation(RIG, 15.0, 200.0, 4.0)
    truth = bench(fs_hz=fs)
    samples = truth.play_and_record(stimulus.samples, 48000).samples
    last = stimulus.passes[-1].stop_frame
    seen = look(samples[: round(ends_at * last)], stimulus, quiet)
    assert seen is not None
    exact = np.abs(truth.impedance_ohm(seen.frequency_hz))
    np.testing.assert_allclose(seen.magnitude_ohm, exact, rtol=3e-3)
    # The peak of |Z| lies within a line of its parabola; Q of 4 turns a line's miss into less.
    fine = np.geomspace(15, 200, 20000)
    top = fine[np.argmax(np.abs(truth.impedance_ohm(fine)))]
    assert seen.peak_hz == pytest.approx(top, abs=1.0)


def test_a_finger_on_the_cone_is_seen() -> None:
    """A gram on 13 g lowers the resonance by sqrt(13.2/14.2), 3.6 % (mass and spring)."""
    quiet, stimulus = excitation(RIG, 15.0, 200.0, 4.0)
    peaks = []
    for mass in (0.0, 1e-3):
        heavier = SimulatedBench(SimulatedSettings(seed=1), RIG.wiring, added_mass_kg=mass)
        seen = look(heavier.play_and_record(stimulus.samples, 48000).samples, stimulus, quiet)
        assert seen is not None and seen.peak_hz is not None
        peaks.append(seen.peak_hz)
    assert peaks[1] / peaks[0] == pytest.approx((13.2 / 14.2) ** 0.5, abs=0.01)


def test_it_plays_quietly_and_says_nothing_of_what_it_cannot_hear() -> None:
    quiet, stimulus = excitation(RIG, 15.0, 200.0, 2.0)
    assert np.max(np.abs(stimulus.samples)) == pytest.approx(QUIET * 0.4, rel=1e-3)
    assert quiet.drive.level == pytest.approx(QUIET * 0.4)
    assert look(np.zeros((stimulus.samples.size, 2), np.float32), stimulus, quiet) is None
    assert look(np.ones((100, 2), np.float32), stimulus, quiet) is None
    no_peak = excitation(RIG, 200.0, 900.0, 2.0)[1]
    seen = look(bench().play_and_record(no_peak.samples, 48000).samples, no_peak, quiet)
    assert seen is not None and seen.peak_hz is None
