"""The excitation, and the default one: silence, sweep up, silence, sweep down, repeated, silence.

The others are built in `multisine` and `stepped_sine` beside this file; `choice` chooses.

The sweep is a synchronised exponential sine, x(t) = sin[2 pi f1 L (exp(t/L) - 1)] with f1 L
an integer, so that every harmonic a nonlinear driver adds is in phase with the sweep itself
(A. Novak, P. Lotton, L. Simon, J. Audio Eng. Soc. 63(10), 2015; exponential sweep: A. Farina,
AES 108th Convention, 2000, paper 5093). The sweep down is the sweep up reversed in time.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from meas.bench.rig import Drive
from meas.curve import FloatArray
from meas.errors import UsageError

LEAD_SECONDS = 0.5
FADE_SECONDS = 0.02
# The last sweep ends at the low end: two seconds let a driver of 20 Hz and Q 10 ring down by e^-12.
SHORTEST_TAIL_SECONDS = 2.0
HIGHEST_SHARE_OF_RATE = 0.45
GENTLE_SHARE = 0.1
_FADE_IN_SECONDS = 0.05
_FADE_OUT_SECONDS = 0.01
# Passes begin this much past a multiple of 0.1 s apart, which is 0.59 of a period of 50 Hz and
# 0.71 of one of 60 Hz: hum meets no two passes in one phase (0.1 s is whole in both).
_OFF_MAINS_SECONDS = 0.0118
_MAINS_COMMON_SECONDS = 0.1


@dataclass(frozen=True)
class StimulusPass:
    """One sweep within the excitation.

    Attributes:
        stop_frame: One past the last frame.
        direction: Order of frequencies.
    """

    start_frame: int
    stop_frame: int
    direction: Literal["up", "down"]


@dataclass(frozen=True, eq=False)
class Periodic:
    """Place of a multisine's periods, and the lines that their spectrum holds.

    Attributes:
        first_frame: Start of the first period that counts, one period after the drive set in.
        periods: How many count.
        excited: Numbers of the excited lines, odd ones only, shape (k,).
        odd_detection: Odd lines left out among them, shape (m,).
        even_detection: Even lines next to excited ones, shape (k,).
        crest_factor: Peak over rms.
    """

    first_frame: int
    period_frames: int
    periods: int
    excited: NDArray[np.intp]
    odd_detection: NDArray[np.intp]
    even_detection: NDArray[np.intp]
    crest_factor: float


@dataclass(frozen=True)
class Tone:
    """One tone of a stepped sine and the frames in which it has settled."""

    frequency_hz: float
    start_frame: int
    stop_frame: int


@dataclass(frozen=True, eq=False)
class Stimulus:
    """An excitation ready to be played.

    Attributes:
        samples: Full scale 1, float32, shape (n,).
        passes: The sweeps in order of time, or the whole excitation as one.
        start_hz: Lowest frequency [Hz].
        stop_hz: Highest frequency, at most 0.45 of the sample rate [Hz].
        rate_constant_seconds: L, the time in which a sweep's frequency grows e-fold [s]; 0
            otherwise.
        periodic: For a multisine.
        tones: For a stepped sine.
    """

    samples: NDArray[np.float32]
    passes: tuple[StimulusPass, ...]
    start_hz: float
    stop_hz: float
    rate_constant_seconds: float
    periodic: Periodic | None = None
    tones: tuple[Tone, ...] = ()


def band(drive: Drive, sample_rate_hz: int) -> tuple[float, float]:
    """Lowest and highest frequency of the excitation at a sample rate [Hz].

    Raises:
        UsageError: If nothing lies between them.
    """
    stop_hz = min(drive.stop_hz, HIGHEST_SHARE_OF_RATE * sample_rate_hz)
    if drive.start_hz >= stop_hz:
        raise UsageError(
            f"an excitation from {drive.start_hz:g} Hz to {stop_hz:g} Hz has no band",
            where="drive",
            remedy="Set start_hz well below stop_hz, and stop_hz below 0.45 of the sample rate",
        )
    return drive.start_hz, stop_hz


def gentle_gain(drive: Drive, frequency_hz: FloatArray) -> FloatArray:
    """Share of the level at which each frequency is driven, so that a tweeter survives.

    Args:
        drive: ``woofer`` False holds the drive at a tenth of the level up to
            ``gentle_below_hz`` and raises it over the octave above.
    """
    if drive.woofer:
        return np.ones(frequency_hz.shape)
    octaves = np.log2(frequency_hz / drive.gentle_below_hz)
    rise = 0.5 - 0.5 * np.cos(np.pi * np.clip(octaves, 0.0, 1.0))
    gain: FloatArray = GENTLE_SHARE + (1.0 - GENTLE_SHARE) * rise
    return gain


def build(drive: Drive, sample_rate_hz: int) -> Stimulus:
    """Build pairs of sweeps.

    A sweep lasts as long as asked within what synchronisation allows: half a rate constant's
    step, (1/2 f1) ln(f2/f1), to either side.

    Args:
        drive: Level, band, durations; ``woofer`` False holds the drive at a tenth of the level
            up to ``gentle_below_hz`` and raises it over the octave above.

    Returns:
        The excitation.

    Raises:
        UsageError: If the band is empty at this sample rate.
    """
    _, stop_hz = band(drive, sample_rate_hz)
    constant = synchronised_rate_constant(drive.start_hz, stop_hz, drive.sweep_seconds)
    up = _sweep(drive, stop_hz, constant, sample_rate_hz).astype(np.float32)
    gap = _gap_frames(drive.gap_seconds, up.size, sample_rate_hz)
    lead, tail = silences(drive, sample_rate_hz)
    sweeps = 2 * drive.repeats
    samples = np.zeros(lead + sweeps * up.size + (sweeps - 1) * gap + tail, dtype=np.float32)
    passes = []
    for number in range(sweeps):
        start = lead + number * (up.size + gap)
        rising = number % 2 == 0
        samples[start : start + up.size] = up if rising else up[::-1]
        passes.append(StimulusPass(start, start + up.size, "up" if rising else "down"))
    return Stimulus(samples, tuple(passes), drive.start_hz, stop_hz, constant)


def silences(drive: Drive, sample_rate_hz: int) -> tuple[int, int]:
    """Frames of silence before and after the drive."""
    tail = max(drive.gap_seconds, SHORTEST_TAIL_SECONDS)
    return round(LEAD_SECONDS * sample_rate_hz), round(tail * sample_rate_hz)


def between_silences(
    wave: FloatArray, drive: Drive, sample_rate_hz: int
) -> tuple[NDArray[np.float32], StimulusPass]:
    """Fade a wave in and out by half cosines of `FADE_SECONDS`, and put silence around it."""
    fade = round(FADE_SECONDS * sample_rate_hz)
    ramp = 0.5 - 0.5 * np.cos(np.pi * (np.arange(fade) + 0.5) / fade)
    lead, tail = silences(drive, sample_rate_hz)
    samples = np.concatenate([np.zeros(lead), wave, np.zeros(tail)])
    stop = lead + wave.size
    samples[lead : lead + fade] *= ramp
    samples[stop - fade : stop] *= ramp[::-1]
    return samples.astype(np.float32), StimulusPass(lead, stop, "up")


def rate_constant(start_hz: float, stop_hz: float, seconds: float) -> float:
    """Time in which an exponential sweep grows e-fold, L = T/ln(f2/f1) [s] (Farina 2000).

    >>> round(rate_constant(20.0, 20000.0, 1.0), 6)
    0.144765
    """
    return float(seconds / np.log(stop_hz / start_hz))


def synchronised_rate_constant(start_hz: float, stop_hz: float, seconds: float) -> float:
    """The rate constant nearest to the one asked for that makes f1 L an integer (Novak 2015)."""
    cycles = max(1, round(start_hz * rate_constant(start_hz, stop_hz, seconds)))
    return cycles / start_hz


def harmonic_lead(rate_constant_seconds: float, order: int) -> float:
    """Time by which the n-th harmonic of a sweep comes before the sweep itself, L ln n [s].

    >>> round(harmonic_lead(rate_constant(20.0, 20000.0, 1.0), 2), 6)
    0.100343
    """
    return float(rate_constant_seconds * np.log(order))


def _sweep(drive: Drive, stop_hz: float, constant: float, sample_rate_hz: int) -> FloatArray:
    duration = constant * np.log(stop_hz / drive.start_hz)
    time = np.arange(round(duration * sample_rate_hz)) / sample_rate_hz
    growth = np.exp(time / constant)
    wave = np.sin(2.0 * np.pi * drive.start_hz * constant * (growth - 1.0))
    gain = drive.level * _fades(time, duration) * gentle_gain(drive, drive.start_hz * growth)
    swept: FloatArray = wave * gain
    return swept


def _fades(time: FloatArray, duration: float) -> FloatArray:
    """Half-cosine fades, short against the sweep; the ratio of two inputs does not see them."""
    fade_in = min(_FADE_IN_SECONDS, duration / 10.0)
    fade_out = min(_FADE_OUT_SECONDS, duration / 10.0)
    rising = np.clip(time / fade_in, 0.0, 1.0)
    falling = np.clip((duration - time) / fade_out, 0.0, 1.0)
    fades: FloatArray = (0.5 - 0.5 * np.cos(np.pi * rising)) * (0.5 - 0.5 * np.cos(np.pi * falling))
    return fades


def _gap_frames(gap_seconds: float, sweep_frames: int, sample_rate_hz: int) -> int:
    """Silence between sweeps, at least as asked, that keeps the passes off the mains period."""
    shortest = sweep_frames / sample_rate_hz + gap_seconds
    steps = math.ceil((shortest - _OFF_MAINS_SECONDS) / _MAINS_COMMON_SECONDS)
    spacing = steps * _MAINS_COMMON_SECONDS + _OFF_MAINS_SECONDS
    return round(spacing * sample_rate_hz) - sweep_frames
