"""The two-channel transfer function: no bias at sharp resonances, and an honest variance."""

from __future__ import annotations

from functools import partial

import numpy as np
import pytest
from made_signals import (
    Impedance,
    Samples,
    Signal,
    delayed,
    divider,
    driver,
    filtered,
    record,
    silence,
    single,
    sweep,
    up_and_down,
)

from meas.bench.rig import Drive, Wiring
from meas.correction.divider import from_ratio
from meas.excitation.stimulus import build
from meas.transfer.from_sweeps import Transfer, estimate
from meas.transfer.passes import find_passes

RATE = 48000
# The hardest driver of the brief: Qms 15 at 20 Hz.
SHARP = driver(fs=20.0, Qms=15.0, Qes=0.5, Re=6.0)


def measured(samples: Samples, rate_hz: int = RATE) -> Transfer:
    transfer = estimate(samples, rate_hz, find_passes(samples, rate_hz))
    assert transfer is not None
    return transfer


def test_points_are_log_spaced_and_cover_the_driven_band() -> None:
    source = build(Drive(woofer=True), RATE).samples.astype(np.float64)
    transfer = measured(record(source, 0.5 * source))
    f = transfer.frequency_hz
    assert np.all(np.diff(f) > 0)
    assert f[0] < 11 and 19000 < f[-1] < 21600
    assert transfer.band_hz == (f[0], f[-1])
    decade = np.count_nonzero((f > 1000) & (f < 10000))
    assert decade == pytest.approx(40 * np.log2(10), abs=2)
    assert 400 < np.count_nonzero((f > 20) & (f < 20000)) < 650
    assert transfer.pass_ratio.shape == (2, f.size)


@pytest.mark.parametrize("side", ["hot", "ground"])
@pytest.mark.parametrize("R", [10.0, 100.0])
@pytest.mark.parametrize("Qes", [0.5, 2.0])
def test_no_bias_at_a_sharp_resonance(R: float, side: str, Qes: float) -> None:
    # The excitation of the tool itself. With noise of 1e-8 of full scale what is left is bias:
    # windows of 1/40 octave, float32 and the truncated tail. 0.1 % is the bound of the brief;
    # the fourth-order term of the window is below (3/35)(2 Q 0.0087)^4 = 8e-5 of H.
    load = driver(fs=20.0, Qms=15.0, Qes=Qes, Re=6.0)
    source = build(Drive(woofer=True), RATE).samples.astype(np.float64)
    samples = record(source, filtered(source, RATE, divider(load, R, side)), noise=1e-8)
    transfer = measured(samples)
    wiring = Wiring(series_resistor_ohm=R, resistor_side=side)  # type: ignore[arg-type]
    impedance, _ = from_ratio(transfer.ratio, transfer.variance, wiring)
    f = transfer.frequency_hz
    peak = np.abs(f - 20.0) < 3.0
    assert np.count_nonzero(peak) > 20
    error = np.abs(impedance / load(f) - 1)
    assert error[peak].max() < 1e-3
    assert error[(f > 12) & (f < 19000)].max() < 1e-3


@pytest.mark.parametrize("fs", [60.0, 200.0, 1000.0])
def test_no_bias_where_windows_hold_many_lines(fs: float) -> None:
    # Behind 100 ohm Qes is 0.5 (1 + 100/6) = 8.8 and the quality of H is 5.6. |R+Z|^2/(R |Z|) = 4.4
    # at the peak turns the fourth-order term (3/35)(2 5.6 0.0087)^4 = 8e-6 of H into 3.4e-5 of Z.
    load = driver(fs=fs, Qms=15.0, Qes=0.5, Re=6.0)
    source = up_and_down(seconds=8.0)
    samples = record(source, filtered(source, RATE, divider(load, 100.0)), noise=1e-8)
    transfer = measured(samples)
    impedance, _ = from_ratio(transfer.ratio, transfer.variance, Wiring(series_resistor_ohm=100.0))
    near = np.abs(np.log2(transfer.frequency_hz / fs)) < 0.25
    error = np.abs(impedance[near] / load(transfer.frequency_hz[near]) - 1)
    assert error.max() < 1e-4


def deviations(
    source: Signal, response: Impedance, repeats: int, **bench: object
) -> tuple[Signal, Signal]:
    """Frequencies, and mean square deviation over stated variance at each (all repeats)."""
    output = filtered(source, RATE, response)
    frequency, square = [], []
    for seed in range(repeats):
        transfer = measured(record(source, output, seed=seed, **bench))  # type: ignore[arg-type]
        off = transfer.ratio - response(transfer.frequency_hz)
        frequency.append(transfer.frequency_hz)
        square.append(np.abs(off) ** 2 / (2 * transfer.variance))
    return np.concatenate(frequency), np.concatenate(square)


BANDS = [(12.0, 30.0), (30.0, 100.0), (100.0, 1000.0), (1000.0, 18000.0)]
TYPICAL = divider(driver(), 10.0)
NOISE = np.random.default_rng(11).normal(0, 0.1, RATE * 2)


@pytest.mark.parametrize(
    ("source", "noise"),
    [
        (up_and_down(), 2e-5),
        (up_and_down(), 1e-3),
        (single(), 2e-5),
        (np.concatenate([silence(0.5, RATE), NOISE, silence(0.5, RATE)]), 2e-5),
    ],
    ids=["own", "own-faint", "single-sweep", "noise-burst"],
)
def test_stated_variance_agrees_with_scatter(source: Signal, noise: float) -> None:
    # At least 16 repeats of 40 points of two parts: chi-square over its 1280 degrees of freedom
    # has a standard deviation of sqrt(2/1280) = 4.0 %; the stated variance itself, pooled over
    # some 40 degrees of freedom and shared by neighbours, adds about 5 %. 0.8 to 1.25 is beyond
    # three of both.
    f, square = deviations(source, TYPICAL, 16, noise=noise)
    for low, high in BANDS:
        inside = square[(f > low) & (f < high)]
        assert inside.size > 16 * 40
        assert 0.8 < inside.mean() < 1.25, (low, high)


def test_errors_of_neighbouring_points_are_independent() -> None:
    source = up_and_down()
    output = filtered(source, RATE, TYPICAL)
    rows = []
    for seed in range(16):
        transfer = measured(record(source, output, seed=seed, noise=2e-5))
        f = transfer.frequency_hz
        inside = (f > 300) & (f < 15000)
        off = transfer.ratio - TYPICAL(f)
        rows.append((off / np.sqrt(2 * transfer.variance))[inside][:200])
    z = np.stack(rows)
    neighbours = np.mean((z[:, 1:].conj() * z[:, :-1]).real)
    # Standard error with 16 x 199 products of complex normals: 1/sqrt(2 x 3184) = 0.013.
    assert abs(neighbours) < 0.065


@pytest.mark.parametrize("hum", [(3e-4, 3e-4), (0.0, 3e-4)], ids=["both", "driver"])
@pytest.mark.parametrize("source", [up_and_down(), single()], ids=["own", "single-sweep"])
def test_hum_shows_in_the_variance(source: Signal, hum: tuple[float, float]) -> None:
    f, square = deviations(source, TYPICAL, 8, noise=2e-5, hum=hum)
    clean = measured(record(source, filtered(source, RATE, TYPICAL), noise=2e-5))
    humming = measured(record(source, filtered(source, RATE, TYPICAL), noise=2e-5, hum=hum))

    def at(transfer: Transfer, hz: float) -> float:
        return float(np.interp(hz, transfer.frequency_hz, transfer.variance))

    # At the mains line it dominates; an octave and a half above it must not.
    assert at(humming, 50.0) > 30 * at(clean, 50.0)
    assert at(humming, 5000.0) < 2 * at(clean, 5000.0)
    for low, high in [(12.0, 48.0), (48.0, 52.5), (52.5, 140.0), (140.0, 160.0), (160.0, 18000.0)]:
        assert square[(f > low) & (f < high)].mean() < 1.25, (low, high)


def test_correlated_hum_cancels_where_the_ratio_is_one() -> None:
    # var(H) = (s2^2 + |H|^2 s1^2 - 2 Re{H* E[n2 n1*]})/|V1|^2 is nought for n1 = n2 and H = 1.
    source = up_and_down()
    same = measured(record(source, source, noise=2e-5, hum=(1e-3, 1e-3)))
    other = measured(record(source, source, noise=2e-5, hum=(1e-3, 0.0)))
    at = partial(np.interp, 50.0)
    assert at(same.frequency_hz, same.variance) < 3 * at(other.frequency_hz, other.variance) / 1000


def multisine(seconds: float, seed: int) -> Signal:
    """Tones 1 Hz apart, pink, of random phase, in steady state; not a whole number of periods."""
    spectrum = np.zeros(RATE // 2 + 1, dtype=complex)
    lines = np.arange(8, 20000)
    phases = np.exp(2j * np.pi * np.random.default_rng(seed).uniform(size=lines.size))
    spectrum[lines] = phases / np.sqrt(lines)
    wave = np.fft.irfft(spectrum)
    return np.resize(0.5 * wave / np.abs(wave).max(), round(seconds * RATE))


def steady(source: Signal, response: Impedance, settle: int) -> tuple[Signal, Signal]:
    """Source and response, without the settling time."""
    return source[settle:], filtered(source, RATE, response)[settle:]


def test_endless_multisine() -> None:
    source, output = steady(multisine(10.3, 1), TYPICAL, RATE)
    transfer = measured(record(source, output, noise=2e-5))
    f = transfer.frequency_hz
    off = transfer.ratio - TYPICAL(f)
    square = np.abs(off) ** 2 / (2 * transfer.variance)
    assert f[0] < 10 and f[-1] > 19000
    assert square.mean() < 1.25
    assert np.abs(off / TYPICAL(f)).max() < 2e-3


def test_endless_noise() -> None:
    # Nothing is silent at the edges, so the record is tapered and the ringing over the taper acts
    # as noise: it must be inside the stated variance, and small.
    noise = np.random.default_rng(3).normal(0, 0.1, RATE * 21)
    source, output = steady(noise, TYPICAL, RATE)
    transfer = measured(record(source, output, noise=2e-5))
    f = transfer.frequency_hz
    off = transfer.ratio - TYPICAL(f)
    square = np.abs(off) ** 2 / (2 * transfer.variance)
    for low, high in [(10.0, 40.0), (40.0, 60.0), (60.0, 300.0), (300.0, 20000.0)]:
        assert square[(f > low) & (f < high)].mean() < 1.25
    assert np.median(np.sqrt(2 * transfer.variance)[f > 20]) < 1e-3


def test_sweep_cut_out_exactly() -> None:
    # A sweep recorded from rest needs no silence before it.
    source = single()[RATE // 2 : -RATE // 2]
    samples = record(source, filtered(source, RATE, TYPICAL), noise=2e-5, offset=0.003)
    transfer = measured(samples)
    f = transfer.frequency_hz
    inside = (f > 12) & (f < 18000)
    square = np.abs(transfer.ratio - TYPICAL(f)) ** 2 / (2 * transfer.variance)
    assert square[inside].mean() < 1.5


def test_no_points_without_drive() -> None:
    band = 0.2 * sweep(100.0, 2000.0, 3.0, RATE)
    source = np.concatenate([silence(0.5, RATE), band, silence(0.5, RATE)])
    response = delayed(0.5, 0.3, RATE)
    transfer = measured(record(source, filtered(source, RATE, response), noise=1e-4))
    # The fades of 20 ms smear the edges by some 2/(20 ms) = 100 Hz.
    assert 10 < transfer.band_hz[0] < 102
    assert 1990 < transfer.band_hz[1] < 2200
    off = np.abs(transfer.ratio - response(transfer.frequency_hz))
    assert np.all(off < 5 * np.sqrt(2 * transfer.variance))
    assert np.all(np.sqrt(2 * transfer.variance) < 0.1 * np.abs(transfer.ratio) + 0.002)


def test_nothing_to_tell() -> None:
    for source in (silence(3, RATE), np.random.default_rng(0).normal(0, 1e-5, RATE * 3)):
        samples = record(source, 0 * source, noise=1e-4)
        assert estimate(samples, RATE, find_passes(samples, RATE)) is None
    nought = np.zeros((RATE, 2), np.float32)
    assert estimate(nought, RATE, find_passes(nought, RATE)) is None


def test_a_gain_that_differs_between_passes_shows_in_passes_and_scatter() -> None:
    source = up_and_down()
    output = filtered(source, RATE, TYPICAL)
    output[round(2.9 * RATE) :] *= 1.01  # in the silence between the passes
    transfer = measured(record(source, output, noise=2e-5))
    f = transfer.frequency_hz
    inside = (f > 20) & (f < 15000)
    up, down = transfer.pass_ratio[:, inside]
    assert np.allclose(down / up, 1.01, atol=1e-3)
    excess = transfer.variance[inside] / transfer.noise_variance[inside]
    assert np.median(excess) > 10


@pytest.mark.parametrize("rate_hz", [8000, 22050, 96000])
def test_other_rates(rate_hz: int) -> None:
    source = up_and_down(rate_hz)
    output = filtered(source, rate_hz, TYPICAL)
    transfer = measured(record(source, output, rate_hz=rate_hz), rate_hz)
    f = transfer.frequency_hz
    off = np.abs(transfer.ratio - TYPICAL(f)) ** 2 / (2 * transfer.variance)
    assert f[-1] > 0.4 * min(rate_hz, 44100)
    assert off.mean() < 1.25


def test_a_driver_that_is_all_signal_both_times() -> None:
    # Bit-identical inputs: H is 1, and its variance is not nought.
    source = up_and_down()
    samples = record(source, source, noise=0.0)
    transfer = measured(samples)
    assert np.allclose(transfer.ratio, 1.0, atol=1e-9)
    assert np.all(transfer.variance > 0)
