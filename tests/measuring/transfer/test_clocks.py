"""Two inputs on two clocks: found, taken out or refused; a player's clock does no harm."""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest
from made_signals import (
    Samples,
    Signal,
    delayed,
    divider,
    driver,
    filtered,
    record,
    up_and_down,
)
from scipy.interpolate import CubicSpline

from meas.bench.rig import Calibration, Rig, Wiring
from meas.correction.calibration import measure
from meas.errors import Refused
from meas.excitation.stimulus import build
from meas.takes.analysis import Analysis, analyse
from meas.transfer.two_clocks import excess_delay, find_drift, on_one_clock

RATE = 48000
LOAD = driver()
RIG = Rig(name="bench-7f3a", wiring=Wiring(series_resistor_ohm=10.0))
WHEN = "2026-03-01T10:00:00+01:00"


@cache
def source() -> Signal:
    return up_and_down()


def on_other_clock(signal: Signal, ppm: float, late: float = 0.0) -> Signal:
    """A signal sampled by a clock that is faster: eightfold by Fourier, then cubic splines.

    A cubic spline at eight points a period of 24 kHz errs by 1e-4 there, by 1e-6 at 8 kHz.
    """
    padded = np.concatenate([signal, np.zeros(signal.size % 2 + 2000)])
    spectrum = np.fft.rfft(padded)
    fine = np.fft.irfft(np.pad(spectrum, (0, (padded.size // 2) * 7)), padded.size * 8) * 8
    at = (np.arange(signal.size) / (1 + ppm * 1e-6) - late) * 8
    inside = (at >= 0) & (at < fine.size - 1)
    spline = CubicSpline(np.arange(fine.size), fine)
    return np.where(inside, spline(np.clip(at, 0, fine.size - 1)), 0.0)


@cache
def recorded(ppm: float, late: float = 0.0, noise: float = 1e-5) -> Samples:
    output = filtered(source(), RATE, divider(LOAD, 10.0))
    return record(source(), on_other_clock(output, ppm, late), noise=noise)


@pytest.mark.parametrize(
    ("ppm", "late"), [(5, 0.0), (37.3, 0.0), (-90, 0.4), (200, 0.0), (-200, 12.6), (60, 3000.3)]
)
def test_drift_and_offset_are_found(ppm: float, late: float) -> None:
    # Phase noise of 1e-5/0.1 at 10 kHz over 3 s allows 1e-3 ppm; the spline of this test is
    # no better than that either.
    drift = find_drift(recorded(ppm, late), RATE)
    assert drift is not None and drift.steady
    assert drift.ppm == pytest.approx(ppm, abs=2e-3)
    moved = on_one_clock(recorded(ppm, late), drift)
    assert find_drift(moved, RATE) is None


def found_in(samples: Samples, **more: object) -> Analysis:
    return analyse(samples, RATE, RIG, **more)  # type: ignore[arg-type]


@pytest.mark.parametrize(("ppm", "late"), [(5, 0.0), (50, 0.4), (-200, 0.0), (60, 3000.3)])
def test_impedance_after_it_was_taken_out(ppm: float, late: float) -> None:
    # The delay that is left is what minimum phase tells, to a tenth of a sample here; one sample
    # (the limit stated) is 0.2 mH, so a tenth is 0.02 mH, 1.3 ohm at 10 kHz. Below 1 kHz, where
    # the parameters come from, that is 2 %, and the magnitude is far better.
    found = found_in(recorded(ppm, late))
    assert not found.refused, found.findings
    assert "separate-clocks" in {finding.code for finding in found.findings}
    curve = found.curve
    assert curve is not None
    truth = LOAD(curve.frequency_hz)
    low = (curve.frequency_hz > 15) & (curve.frequency_hz < 1000)
    assert np.abs(curve.impedance_ohm / truth - 1)[low].max() < 0.02
    assert np.abs(curve.magnitude_ohm / np.abs(truth) - 1)[low].max() < 0.01
    # Within what is stated, everywhere: two standard uncertainties of one sample's limits.
    delay = next(one for one in curve.systematics if one.source.startswith("mismatch-delay"))
    inside = (curve.frequency_hz > 15) & (curve.frequency_hz < 15000)
    off = np.abs(curve.impedance_ohm - truth)[inside]
    assert np.all(off < 1e-3 * np.abs(truth)[inside] + np.abs(delay.derivative_ohm)[inside])


def test_one_clock_is_left_alone() -> None:
    samples = recorded(0.0)
    assert find_drift(samples, RATE) is None
    assert "separate-clocks" not in {finding.code for finding in found_in(samples).findings}
    # Also with channels that differ as cards do, and with noise of -50 dB.
    wrong = filtered(source(), RATE, lambda f: divider(LOAD, 10.0)(f) * delayed(1.03, 0.7, RATE)(f))
    assert find_drift(record(source(), wrong), RATE) is None
    assert find_drift(record(source(), wrong, noise=8e-4), RATE) is None


def test_playing_on_another_clock_does_no_harm() -> None:
    # The player runs 200 ppm fast, both inputs share the recorder's clock: V2/V1 is exact for any
    # drive.
    stimulus = build(RIG.drive.model_copy(update={"sweep_seconds": 1.5, "woofer": True}), RATE)
    played = on_other_clock(stimulus.samples.astype(float), 200.0)
    output = filtered(played, RATE, divider(LOAD, 10.0))
    found = found_in(record(played, output, noise=1e-6), stimulus=stimulus)
    assert not found.refused, found.findings
    assert find_drift(record(played, output, noise=1e-6), RATE) is None
    curve = found.curve
    assert curve is not None
    inside = (curve.frequency_hz > 15) & (curve.frequency_hz < 15000)
    assert np.abs(curve.impedance_ohm / LOAD(curve.frequency_hz) - 1)[inside].max() < 5e-4


def test_clocks_that_wander_are_refused() -> None:
    # Half a revolution of wander, one sample each way, over 40 ppm of drift.
    output = filtered(source(), RATE, divider(LOAD, 10.0))
    n = output.size
    at = np.arange(n) * (1 - 40e-6) - 1.0 * np.sin(2 * np.pi * np.arange(n) / n)
    spectrum = np.fft.rfft(np.concatenate([output, np.zeros(n % 2)]))
    fine = np.fft.irfft(np.pad(spectrum, (0, (n + n % 2) // 2 * 7)), (n + n % 2) * 8) * 8
    wandering = CubicSpline(np.arange(fine.size), fine)(np.clip(at * 8, 0, fine.size - 1))
    found = found_in(record(source(), wandering))
    assert found.refused
    assert {"clock-drift", "channel-slip"} & {f.code for f in found.findings if f.refuses}


def test_a_lost_frame_is_no_drift() -> None:
    samples = recorded(0.0).copy()
    half = len(samples) // 2
    samples[half:-1, 1] = samples[half + 1 :, 1]
    drift = find_drift(samples, RATE)
    assert drift is None or not drift.steady
    assert found_in(samples).refused


def test_two_clocks_and_a_calibration_do_not_go_together() -> None:
    both = record(source(), filtered(source(), RATE, delayed(1.03, 0.7, RATE)))
    calibration = Calibration(standards=(measure(both, RATE, RIG, "default", WHEN),))
    found = found_in(recorded(50.0), calibration=calibration)
    assert not found.refused and found.calibration is None
    assert found.curve is not None
    assert any("not calibrated" in one.text for one in found.curve.systematics)
    with pytest.raises(Refused, match="clock-drift"):
        measure(record(source(), on_other_clock(source(), 30.0)), RATE, RIG, "default", WHEN)


@pytest.mark.parametrize("late", [0.0, 0.37, -1.6])
@pytest.mark.parametrize(("side", "near"), [("hot", 0.15), ("ground", 0.35)])
def test_minimum_phase_tells_the_delay(late: float, side: str, near: float) -> None:
    # Bode's relation on a band of eleven octaves; the magnitude beyond is taken as level. On the
    # hot side it is (H tends to 1), on the ground side it falls on, and what is missing costs a
    # quarter of a sample; the limit stated is one.
    f = np.geomspace(10.0, 20000.0, 400)
    ratio = divider(LOAD, 10.0, side)(f) * delayed(1.0, late, RATE)(f)
    assert excess_delay(f, ratio) * RATE == pytest.approx(late, abs=near)
