"""Finding the passes in recordings of every kind that people bring."""

from __future__ import annotations

import numpy as np
import pytest
from made_signals import Signal, record, silence, single, sweep, up_and_down

from meas.bench.rig import Drive
from meas.excitation.stimulus import build
from meas.transfer.passes import FRAME_SECONDS, Passes, find_passes


def find(source: Signal, rate_hz: int = 48000, **bench: object) -> Passes:
    return find_passes(record(source, 0.5 * source, rate_hz=rate_hz, **bench), rate_hz)  # type: ignore[arg-type]


@pytest.mark.parametrize("woofer", [True, False])
@pytest.mark.parametrize("rate_hz", [8000, 22050, 44100, 96000])
@pytest.mark.parametrize(
    ("scale", "hum", "offset"),
    [
        (1.0, 0.0, 0.0),
        (0.04, 0.0, 0.01),  # peaks of -40 dB
        (1.0, 0.01, 0.0),  # hum at half the level of the gentle part
    ],
)
def test_own_excitation(
    rate_hz: int, woofer: bool, scale: float, hum: float, offset: float
) -> None:
    drive = Drive(woofer=woofer, repeats=2, sweep_seconds=2.0)
    made = build(drive, rate_hz)
    found = find(scale * made.samples, rate_hz, hum=(hum, hum), offset=offset)
    assert found.contained and found.swept and found.excited
    assert len(found.passes) == 4
    # Never later than what can matter (the sweep fades in over 50 ms), and earlier by no more
    # than a frame; under hum by three quarters of a long frame of 0.25 s.
    slack = 0.19 if hum else FRAME_SECONDS
    for one, true in zip(found.passes, made.passes, strict=True):
        assert -slack <= (one.start - true.start_frame) / rate_hz <= 0.03
        assert -0.03 <= (one.stop - true.stop_frame) / rate_hz <= slack
        assert one.begin < true.start_frame
    assert found.passes[0].end == found.passes[1].begin
    assert found.passes[-1].end >= made.samples.size - 0.01 * rate_hz
    for begin, end in found.silences:
        assert not made.samples[begin:end].any()
        assert end - begin >= 0.1 * rate_hz


def test_single_foreign_sweep() -> None:
    found = find(single())
    assert found.contained and found.swept
    assert len(found.passes) == 1
    assert len(found.silences) == 2


def test_burst_of_noise_is_contained_but_not_swept() -> None:
    noise = np.random.default_rng(0).normal(0, 0.1, 48000 * 3)
    found = find(np.concatenate([silence(0.5, 48000), noise, silence(0.5, 48000)]))
    assert found.contained and not found.swept
    assert len(found.passes) == 1


def pink(frames: int) -> Signal:
    spectrum = np.fft.rfft(np.random.default_rng(1).normal(size=frames))
    spectrum /= np.sqrt(np.maximum(np.arange(spectrum.size), 1))
    signal = np.fft.irfft(spectrum, frames)
    return 0.1 * signal / signal.std()


def multisine(frames: int) -> Signal:
    period = 24000
    spectrum = np.zeros(period // 2 + 1, dtype=complex)
    lines = np.arange(5, 10000)
    spectrum[lines] = np.exp(2j * np.pi * np.random.default_rng(2).uniform(size=lines.size))
    wave = np.fft.irfft(spectrum, period)
    return np.resize(0.3 * wave / np.abs(wave).max(), frames)


def notes(frames: int) -> Signal:
    """Like music: tones that come and go all the time, from the first to the last sample."""
    rng = np.random.default_rng(3)
    t = np.arange(frames) / 48000
    signal = np.zeros(frames)
    for begin in np.arange(-0.2, frames / 48000, 0.11):
        age = np.maximum(t - begin, 0)
        tone = np.exp(-age / 0.2) * np.minimum(1, age / 0.005)
        signal += 0.1 * tone * np.sin(2 * np.pi * rng.uniform(40, 4000) * age)
    return signal


@pytest.mark.parametrize(
    "source",
    [
        np.random.default_rng(4).normal(0, 0.1, 48000 * 6),
        pink(48000 * 6),
        multisine(48000 * 6),
        notes(48000 * 6),
    ],
    ids=["white", "pink", "multisine", "notes"],
)
@pytest.mark.parametrize("rate_hz", [8000, 48000, 192000])
def test_continuous_excitation_is_one_pass_that_is_not_contained(
    source: Signal, rate_hz: int
) -> None:
    found = find(source, rate_hz)
    assert not found.contained and not found.swept
    assert len(found.passes) == 1
    assert (found.passes[0].begin, found.passes[0].end) == (0, source.size)


@pytest.mark.parametrize("cut", [slice(48000, None), slice(None, 100000)])
def test_truncated_sweep_is_not_contained(cut: slice) -> None:
    found = find(single()[cut])
    assert not found.contained and found.swept


def test_nothing_at_all() -> None:
    for source in (silence(5, 48000), silence(0.01, 48000)):
        found = find(source)
        assert not found.contained and not found.excited
    assert not find_passes(np.zeros((48000, 2), np.float32), 48000).excited


def test_a_click_is_no_pass() -> None:
    source = up_and_down()
    source[5000:5010] = 0.2
    found = find(source)
    assert len(found.passes) == 2


def test_pauses_shorter_than_a_silence_do_not_divide() -> None:
    burst = 0.2 * sweep(100, 5000, 0.5, 48000)
    parts = [silence(0.5, 48000), burst, silence(0.1, 48000), burst, silence(0.5, 48000)]
    assert len(find(np.concatenate(parts)).passes) == 1


def test_a_long_silence_after_the_last_pass_is_left_out() -> None:
    source = np.concatenate([single(), silence(5, 48000)])
    one = find(source).passes[0]
    assert one.end - one.stop == 2 * 48000
