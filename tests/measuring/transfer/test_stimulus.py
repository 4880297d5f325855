"""The excitation against published sweep formulas and against what a bench needs."""

from __future__ import annotations

import itertools

import numpy as np
import pytest

from meas.bench.rig import Drive
from meas.errors import UsageError
from meas.excitation.stimulus import build, harmonic_lead, rate_constant, synchronised_rate_constant

WOOFER = Drive(woofer=True)


def test_rate_constant_and_harmonic_leads_of_a_published_sweep() -> None:
    # 20 Hz to 20 kHz in 1 s: L = T/ln(f2/f1), lead L ln n (A. Farina, AES 108th Convention, 2000,
    # paper 5093); the six digits are 1/ln(1000) and its multiples by ln 2, ln 3.
    L = rate_constant(20.0, 20000.0, 1.0)
    assert L == pytest.approx(0.144765, abs=5e-7)
    assert harmonic_lead(L, 2) == pytest.approx(0.100343, abs=5e-7)
    assert harmonic_lead(L, 3) == pytest.approx(0.159040, abs=5e-7)


@pytest.mark.parametrize("seconds", [0.5, 1.0, 5.0, 60.0])
def test_sweep_is_synchronised(seconds: float) -> None:
    # Novak et al., JAES 63(10), 2015: f1 L is an integer.
    L = synchronised_rate_constant(10.0, 20000.0, seconds)
    assert L * 10.0 == pytest.approx(round(L * 10.0), abs=1e-9)
    assert abs(L - rate_constant(10.0, 20000.0, seconds)) <= 0.05 + 1e-9


def test_squaring_gives_a_second_harmonic_in_phase_with_the_sweep_it_precedes() -> None:
    # What synchronisation is for: sin^2 phi = (1 - cos 2 phi)/2, and 2 phi(t) = phi(t + L ln 2)
    # up to whole turns. So 1 - 2 x(t)^2 is the cosine of the phase at t + L ln 2.
    rate = 96000
    made = build(Drive(woofer=True, level=1.0, start_hz=100.0, stop_hz=4000.0), rate)
    first = made.passes[0]
    x = made.samples[first.start_frame : first.stop_frame].astype(np.float64)
    lead = harmonic_lead(made.rate_constant_seconds, 2) * rate
    t = np.arange(rate // 10, rate)
    later = np.interp(t + lead, np.arange(x.size), x)
    assert np.allclose((1 - 2 * x[t] ** 2) ** 2 + later**2, 1.0, atol=5e-3)


def test_frequency_grows_exponentially() -> None:
    rate = 48000
    made = build(WOOFER, rate)
    first = made.passes[0]
    x = made.samples[first.start_frame : first.stop_frame]
    seconds = np.arange(x.size) / rate
    up = np.flatnonzero((x[:-1] <= 0) & (x[1:] > 0))
    moments = seconds[up] + x[up] / (x[up] - x[up + 1]) / rate
    middle = (moments[1:] + moments[:-1]) / 2
    measured = 1 / np.diff(moments)
    expected = made.start_hz * np.exp(middle / made.rate_constant_seconds)
    slow = (expected > 30) & (expected < 1000)
    # Mean over a period of an exponential against its middle: (1/f L)^2/24 < 1e-3; linear
    # interpolation of the crossing adds (pi f/rate)^2/6 of a sample.
    assert np.allclose(measured[slow], expected[slow], rtol=2e-3)


def test_layout() -> None:
    rate = 48000
    made = build(Drive(woofer=True, repeats=2), rate)
    assert [one.direction for one in made.passes] == ["up", "down", "up", "down"]
    up, down = (made.samples[p.start_frame : p.stop_frame] for p in made.passes[:2])
    assert np.array_equal(up, down[::-1])
    assert made.samples.dtype == np.float32
    assert made.passes[0].start_frame >= 0.5 * rate
    assert made.samples.size - made.passes[-1].stop_frame >= 2.0 * rate
    edges = [0, *itertools.chain(*((p.start_frame, p.stop_frame) for p in made.passes))]
    for begin, end in zip([*edges[::2]], [*edges[1::2], made.samples.size], strict=True):
        assert not made.samples[begin:end].any()
    for one, following in itertools.pairwise(made.passes):
        assert following.start_frame - one.stop_frame >= 1.0 * rate
    assert np.abs(made.samples).max() <= WOOFER.level


@pytest.mark.parametrize("mains_hz", [50, 60])
@pytest.mark.parametrize("seconds", [0.5, 2.0, 5.0, 5.3])
def test_no_two_passes_meet_hum_in_one_phase(mains_hz: int, seconds: float) -> None:
    made = build(Drive(sweep_seconds=seconds, repeats=2), 48000)
    starts = [one.start_frame / 48000 for one in made.passes]
    for a, b in itertools.combinations(starts, 2):
        turns = (b - a) * mains_hz
        assert abs(turns - round(turns)) > 0.05


def test_gentle_drive_below_the_limit() -> None:
    rate = 48000
    full, gentle = (
        build(Drive(woofer=w, gentle_below_hz=200.0, start_hz=20.0), rate) for w in (True, False)
    )
    first = full.passes[0]
    stretch = slice(first.start_frame + 2400, first.stop_frame - 600)
    loud, soft = full.samples[stretch], gentle.samples[stretch]
    t = (np.arange(loud.size) + 2400) / rate
    f = 20.0 * np.exp(t / full.rate_constant_seconds)
    seen = np.abs(loud) > 0.01
    share = np.divide(soft, loud, where=seen, out=np.full(loud.size, np.nan))
    assert np.allclose(share[seen & (f < 199)], 0.1, atol=1e-4)
    assert np.allclose(share[seen & (f > 401)], 1.0, atol=1e-4)
    between = share[seen & (f > 200) & (f < 400)]
    assert np.all(np.diff(between) > -1e-4)


def test_band_ends_below_half_the_rate() -> None:
    assert build(WOOFER, 8000).stop_hz == pytest.approx(3600.0)
    assert build(WOOFER, 96000).stop_hz == pytest.approx(20000.0)


def test_no_band_left() -> None:
    with pytest.raises(UsageError, match="no band"):
        build(Drive(start_hz=5000.0), 8000)
