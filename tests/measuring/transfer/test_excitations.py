"""Three excitations, one curve: each right, and each as uncertain as it says.

A low sample rate keeps hundreds of repetitions short; nothing in the estimators knows the rate.
"""

from __future__ import annotations

import numpy as np
import pytest
from made_signals import Samples, divider, driver, filtered
from numpy.typing import NDArray
from scipy import stats

from meas.audio.simulated_bench import SimulatedBench
from meas.bench.rig import Card, Drive, Rig, Wiring
from meas.bench.simulated_settings import SimulatedSettings
from meas.excitation import choice, multisine, stepped_sine, stimulus
from meas.excitation.stimulus import Periodic, Stimulus
from meas.takes.analysis import analyse
from meas.takes.estimate import estimate_from
from meas.transfer.from_multisine import estimate_periodic
from meas.transfer.from_stepped_sine import fit_sine
from meas.transfer.passes import find_passes

RATE = 8000
KINDS = ("sweep", "multisine", "stepped")
NOISE = 1e-3
LOAD = driver(fs=60.0, Qms=3.0)
HOT = divider(LOAD, 10.0)


def rig(kind: str, **drive: object) -> Rig:
    settings = {
        "woofer": True, "start_hz": 20.0, "stop_hz": 1500.0, "sweep_seconds": 1.0,
        "period_seconds": 1.0, "tone_seconds": 0.1, "gap_seconds": 2.0,
    }  # fmt: skip
    return Rig(
        name="bench-7f3a",
        wiring=Wiring(series_resistor_ohm=10.0),
        card=Card(sample_rate_hz=RATE),
        drive=Drive.model_validate({"excitation": kind, **settings, **drive}),
    )


def clean(played: Stimulus, lag: int = 37) -> NDArray[np.float64]:
    """Both inputs without noise, as much later as a card makes it."""
    source = np.concatenate([np.zeros(lag), played.samples.astype(np.float64)])
    return np.stack([source, filtered(source, RATE, HOT)], axis=1)


def noisy(inputs: NDArray[np.float64], seed: int, noise: float = NOISE) -> Samples:
    random = np.random.default_rng(seed)
    return (inputs + random.normal(0.0, noise, inputs.shape)).astype(np.float32)


@pytest.mark.parametrize("kind", KINDS)
def test_same_curve_within_uncertainty(kind: str) -> None:
    bench = rig(kind)
    settings = SimulatedSettings(seed=5, noise_volt_rms=100e-6)
    played = choice.build(bench)
    simulated = SimulatedBench(settings, bench.wiring)
    capture = simulated.play_and_record(played.samples, RATE)
    found = analyse(capture.samples, RATE, bench, stimulus=played)
    assert not found.refused, found.findings
    assert found.curve is not None
    curve = found.curve
    assert curve.standard_uncertainty_ohm is not None
    assert curve.frequency_hz[0] < 22 and curve.frequency_hz[-1] > 1400
    error = curve.impedance_ohm - simulated.impedance_ohm(curve.frequency_hz)
    score = np.abs(error) ** 2 / (2 * curve.standard_uncertainty_ohm**2)
    inside = (curve.frequency_hz > 20) & (curve.frequency_hz < 1500)
    # A mean of exponential variables of mean 1; stated variances scatter by a tenth (about 80
    # degrees of freedom each), and 5 standard deviations are allowed.
    count = np.count_nonzero(inside)
    assert score[inside].mean() < 1.1 + 5 / np.sqrt(count)
    assert score[inside].max() < 25  # e^-25 for one point


@pytest.mark.parametrize("kind", KINDS)
def test_stated_variance_is_the_scatter_over_200_repetitions(kind: str) -> None:
    played = choice.build(rig(kind, periods=6, start_hz=40.0 if kind == "stepped" else 20.0))
    inputs = clean(played)
    times = 200
    first = estimate_from(noisy(inputs, 0), RATE, played).transfer
    assert first is not None
    # Below 80 Hz every line of these short sweeps is a point by itself, and padding makes lines
    # depend on each other, which their stated variance makes up for.
    lowest = {"sweep": 90.0, "multisine": 21.0, "stepped": 39.0}[kind]
    grid = first.frequency_hz[(first.frequency_hz > lowest) & (first.frequency_hz < 1450)]
    ratios, variances = [], []
    for seed in range(1, times + 1):
        found = estimate_from(noisy(inputs, seed), RATE, played).transfer
        assert found is not None
        at = np.searchsorted(found.frequency_hz, grid * (1 - 1e-3))
        # Points of a sweep are centroids, which noise moves by next to nothing.
        assert np.allclose(found.frequency_hz[at], grid, rtol=2e-4)
        ratios.append(found.ratio[at] - HOT(found.frequency_hz[at]))
        variances.append(found.variance[at])
    error, stated = np.array(ratios), np.mean(variances, axis=0)
    # Each part of each point: a chi-square of `times` degrees of freedom about the truth.
    for part in (error.real, error.imag):
        score = np.sum(part**2, axis=0) / stated
        low, high = stats.chi2.ppf([1e-6, 1 - 1e-6], times)
        assert score.min() > 0.85 * low and score.max() < 1.15 * high
        # Over all points the ratio is known to 1 % and the stated variance to some per cents:
        # it is the mean, or the larger, of two estimates.
        assert 0.85 < score.mean() / times < 1.08
    bias = np.abs(error.mean(axis=0)) / np.sqrt(2 * stated / times)
    assert np.sqrt(np.mean(bias**2)) < 1.3  # 1 without any bias


def test_three_parameter_fit_has_the_scatter_that_the_standard_states() -> None:
    """IEEE Std 1057: sd(amplitude) = s sqrt(2/M), sd(phase) = that over the amplitude."""
    count, sigma, amplitude, times = 500, 0.1, 2.0, 2000
    random = np.random.default_rng(3)
    true = amplitude * np.exp(0.7j)
    t = np.arange(count) / 1000
    wave = np.real(true * np.exp(2j * np.pi * 47.3 * t)) + 0.4
    found = []
    for _ in range(times):
        phasor, offset, residual = fit_sine(wave + random.normal(0, sigma, count), 47.3, 1000)
        found.append((np.abs(phasor), np.angle(phasor), offset, residual.std()))
    size, angle, offset, left = np.array(found).T
    limit = sigma * np.sqrt(2 / count)
    # The sd of 2000 values is known to 1/sqrt(4000) = 1.6 %; 4 of these are allowed.
    assert size.std() == pytest.approx(limit, rel=0.065)
    assert angle.std() == pytest.approx(limit / amplitude, rel=0.065)
    assert size.mean() == pytest.approx(amplitude, abs=4 * limit / np.sqrt(times))
    assert offset.mean() == pytest.approx(0.4, abs=4 * sigma / np.sqrt(count * times))
    assert left.mean() == pytest.approx(sigma, rel=0.01)


def gaussian_multisine(lines: NDArray[np.intp], length: int, seed: int) -> NDArray[np.float64]:
    """Random phases make the sum of many lines Gaussian; rms 1."""
    phase = np.random.default_rng(seed).uniform(0, 2 * np.pi, lines.size)
    wave = multisine.synthesise(lines, np.ones(lines.size), phase, length)
    return wave / np.sqrt(np.mean(wave**2))


def test_best_linear_approximation_of_a_cubic() -> None:
    """y = u + 0.1 u^3 with Gaussian u of rms 1: 1 + 0.1 * 3 = 1.30 (Bussgang's theorem)."""
    length, periods = 4096, 4
    lines = np.arange(1, 1201, 2)
    keep = np.ones(lines.size, dtype=bool)
    keep[3::4] = False
    excited, out = lines[keep], lines[~keep]
    periodic = Periodic(0, length, periods, excited, out, excited + 1, 3.0)
    gains, odd, even = [], [], []
    for seed in range(8):
        u = gaussian_multisine(excited, length, seed)
        samples = np.stack([u, u + 0.1 * u**3], axis=1) / 8
        samples = np.tile(samples, (periods, 1)) + np.random.default_rng(seed).normal(
            0, 1e-5, (periods * length, 2)
        )
        record = samples.astype(np.float32)
        found = estimate_periodic(record, length, periodic, 0, find_passes(record, length))
        assert found is not None
        gains.append(found.transfer.ratio.real.mean())
        odd.append(np.median(found.distortion.parts["odd"]))
        even.append(found.distortion.parts["even"].max())
        # The stated variance covers the stochastic part of the distortion.
        score = np.abs(found.transfer.ratio - 1.30) ** 2 / (2 * found.transfer.variance)
        assert 0.6 < score.mean() < 1.6
    # With 450 lines the kurtosis is short of 3 by 1.5/450: 0.0005 on the gain; each seed
    # scatters by the distortion over the root of the lines.
    assert np.mean(gains) == pytest.approx(1.30, abs=0.005)
    # The part of 0.1 u^3 uncorrelated with u has rms 0.1 sqrt(6) = 0.245 of which most falls
    # within and around three times the band.
    assert 0.05 < np.mean(odd) < 0.245
    assert np.mean(even) < 1e-4


def test_even_distortion_is_told_from_odd() -> None:
    played = choice.build(rig("multisine"))
    inputs = clean(played)
    inputs[:, 1] += 0.2 * inputs[:, 1] ** 2
    found = estimate_from(noisy(inputs, 1, 1e-6), RATE, played)
    assert found.distortion is not None
    even, odd = found.distortion.parts["even"], found.distortion.parts["odd"]
    assert np.median(even) > 20 * np.median(odd)


@pytest.mark.parametrize("mains", [50.0, 60.0])
def test_mains_does_not_repeat_with_the_period(mains: float) -> None:
    for wanted in (0.5, 1.0, 2.0, 5.0):
        period = multisine.period_seconds(wanted, mains)
        assert period == pytest.approx(wanted, abs=1 / mains)
        turns = np.arange(1, 9) * mains * period
        assert np.min(np.abs(turns - np.round(turns))) > 0.05


def test_multisine_is_odd_and_has_a_low_crest() -> None:
    played = choice.build(rig("multisine"))
    periodic = played.periodic
    assert periodic is not None
    assert np.all(periodic.excited % 2 == 1) and np.all(periodic.odd_detection % 2 == 1)
    assert np.all(periodic.even_detection % 2 == 0)
    assert not set(periodic.odd_detection) & set(periodic.excited)
    one = played.samples[periodic.first_frame :][: periodic.period_frames].astype(float)
    spectrum = np.abs(np.fft.rfft(one))
    assert np.max(np.abs(one)) == pytest.approx(0.25, rel=1e-6)
    assert spectrum[periodic.excited].min() > 1e4 * spectrum[periodic.odd_detection].max()
    assert np.max(np.abs(one)) / one.std() == pytest.approx(periodic.crest_factor, rel=1e-5)
    # Random phases of that many lines have 3.5 to 4; Schroeder's 1.67 is for even spacing.
    assert periodic.crest_factor < 2.6


@pytest.mark.parametrize("kind", KINDS)
def test_a_tweeter_is_driven_gently_below(kind: str) -> None:
    bench = rig(kind, woofer=False, gentle_below_hz=200.0, start_hz=50.0)
    played = choice.build(bench)
    spectrum = np.abs(np.fft.rfft(played.samples))
    f = np.fft.rfftfreq(played.samples.size, 1 / RATE)
    density = f * spectrum**2  # an exponential sweep spends equal energy on every octave
    low = density[(f > 60) & (f < 180)].mean()
    high = density[(f > 450) & (f < 1300)].mean()
    assert 10 * np.log10(low / high) == pytest.approx(-20, abs=2.5)


@pytest.mark.parametrize("orders", [(0.02, 0.0), (0.0, 0.02), (0.03, 0.01)])
def test_harmonics_of_a_known_curve(orders: tuple[float, float]) -> None:
    """y = x + a x^2 + b x^3 with |x| = A: second A a/2, third A^2 b/4 of the fundamental."""
    a, b = orders
    drive = Drive(
        woofer=True, start_hz=20.0, stop_hz=1500.0, sweep_seconds=4.0, level=1.0, repeats=2
    )
    played = stimulus.build(drive, RATE)
    x = played.samples.astype(np.float64)
    inputs = np.stack([0.9 * x, 0.9 * (0.5 * x + a * x**2 + b * x**3)], axis=1)
    found = estimate_from(noisy(inputs, 3, 1e-5), RATE, played)
    assert found.distortion is not None
    f, parts = found.distortion.frequency_hz, found.distortion.parts
    inside = (f > 70) & (f < 400)
    fundamental = 0.5 + 0.75 * b
    for name, true in (("harmonic_2", a / 2), ("harmonic_3", b / 4)):
        got = parts[name][inside]
        expected = true / fundamental
        # Fades of the stretches in time: some per cents of a flat response.
        assert np.allclose(got, expected, rtol=0.05, atol=5e-4), name
    assert np.isnan(parts["harmonic_5"][f > 400]).all()  # beyond the band nothing is claimed


def test_harmonics_of_the_amplifier_are_not_the_drivers() -> None:
    played = stimulus.build(rig("sweep", sweep_seconds=3.0, level=1.0).drive, RATE)
    x = played.samples.astype(np.float64)
    source = 0.5 * (x + 0.05 * x**2)
    inputs = np.stack([source, filtered(source, RATE, HOT)], axis=1)
    found = estimate_from(noisy(inputs, 3, 1e-6), RATE, played)
    assert found.distortion is not None
    inside = (found.distortion.frequency_hz > 30) & (found.distortion.frequency_hz < 500)
    # 2.5 % in the amplifier; what is left of it is how well H is interpolated.
    assert np.nanmax(found.distortion.parts["harmonic_2"][inside]) < 5e-4


def test_lag_is_found_both_ways() -> None:
    played = stepped_sine.build(rig("stepped", stop_hz=200.0).drive, RATE).samples
    late = np.concatenate([np.zeros(500, np.float32), -0.3 * played])
    assert choice.lag_frames(played, late, RATE) == 500
    assert choice.lag_frames(played, played[300:], RATE) == -300
