"""Finds the passes: the stretches of excitation between silences in a two-channel recording.

Only the source input is looked at, as short-time spectra. A bin of a frame is active when it
stands far above what the same bin holds in the quietest twentieth of the record. Hum, an offset
and any stationary noise are in that quiet level and disappear by themselves. A sweep stands out
even 40 dB below hum, because all its power sits in a few bins at a time.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import fft, ndimage

from meas.curve import FloatArray, TwoInputs

FRAME_SECONDS = 0.05
_LONG_FRAME_SECONDS = 0.25
_LONG_FRAMES_BELOW_HZ = 300.0
SHORTEST_SILENCE_SECONDS = 0.2
# More silence than this adds noise to a block and no ringing: at 20 Hz and a quality of 10 the
# ringing has fallen by e^12.
LONGEST_TAIL_SECONDS = 2.0
_CHUNK_FRAMES = 256

# The power of a bin of Gaussian noise is exponentially distributed: its 5 % quantile lies at
# -ln(0.95) = 0.0513 of the mean, and 30 times the mean is exceeded once in e^30 = 1e13 bins.
_QUIET_QUANTILE = 0.05
_QUIET_TO_MEAN = -1.0 / np.log(1.0 - _QUIET_QUANTILE)
_ACTIVE_ABOVE = 30.0
# Digital silence has no noise at all; 90 dB below the strongest bin counts as nothing.
_RELATIVE_FLOOR = 1e-9
# A pass this much weaker than the strongest is a click or a crackle, not an excitation.
_NEGLIGIBLE_ENERGY = 1e-4
# Two successive steps of the strongest frequency go the same way in a sweep, and in one case out
# of three in anything random (of three independent values the middle one is the second in order).
_SWEPT_ABOVE = 0.7


@dataclass(frozen=True)
class Pass:
    """One stretch of excitation, in frames of the recording.

    Attributes:
        begin: First frame of the block that belongs to the pass, in the silence before it.
        end: One past its last frame: the ringing after the excitation is inside.
        start: First excited frame, within one analysis frame (50 ms), never late.
        stop: One past the last excited frame, within one analysis frame, never early.
    """

    begin: int
    end: int
    start: int
    stop: int


@dataclass(frozen=True)
class Passes:
    """Division of a recording into excitation and silence.

    Attributes:
        passes: In order of time. One that spans the record when it is not contained.
        silences: Undriven stretches [first, past last) in frames, margins taken off, at least
            0.1 s each.
        contained: True when the excitation begins and ends inside the record, so that the ratio
            of whole-block spectra is exact for a linear one-port.
        swept: True when the excitation runs through the frequencies one after the other (a
            sweep) rather than having them all at once (noise, multisine).
        excited: False when nothing in the record differs from its quiet level in time: either
            continuous noise or tones, or no signal at all.
    """

    passes: tuple[Pass, ...]
    silences: tuple[tuple[int, int], ...]
    contained: bool
    swept: bool
    excited: bool


def find_passes(samples: TwoInputs, sample_rate_hz: int) -> Passes:
    """Divide a recording into passes and silences.

    Returns:
        The passes. A record shorter than four analysis frames is one uncontained pass.
    """
    count = samples.shape[0]
    whole = Pass(0, count, 0, count)
    frame = max(16, round(FRAME_SECONDS * sample_rate_hz))
    if count < 4 * frame:
        return Passes((whole,), (), contained=False, swept=False, excited=False)
    signal = samples[:, 0]
    excess = _excess(_frame_power(signal, frame, frame // 2, (frame - 1) // 2))
    swept = _steadiness(excess) > _SWEPT_ABOVE
    stretches = _stretches(signal, _active_frames(excess), frame, sample_rate_hz)
    if not stretches:
        return Passes((whole,), (), contained=False, swept=False, excited=False)

    margin = frame
    first, last = stretches[0][0], stretches[-1][1]
    contained = first >= margin and last <= count - 2 * margin
    silences = _silences(stretches, count, margin)
    if not contained:
        return Passes((whole,), silences, contained=False, swept=swept, excited=True)
    begins = [max(0, start - margin) for start, _ in stretches]
    ends = [*begins[1:], count]
    longest_tail = round(LONGEST_TAIL_SECONDS * sample_rate_hz)
    passes = tuple(
        Pass(begin, min(end, stop + longest_tail), start, stop)
        for begin, end, (start, stop) in zip(begins, ends, stretches, strict=True)
    )
    return Passes(passes, silences, contained=True, swept=swept, excited=True)


def _stretches(
    signal: NDArray[np.float32], active: NDArray[np.bool_], frame: int, sample_rate_hz: int
) -> list[tuple[int, int]]:
    """Excited stretches as (start, stop) in frames of the recording."""
    count, hop = signal.size, frame // 2
    near = [(i * hop, min(count, (j + 1) * hop)) for i, j in _runs(active)]
    shortest = round(SHORTEST_SILENCE_SECONDS * sample_rate_hz)
    long_frame = round(_LONG_FRAME_SECONDS * sample_rate_hz)
    far: list[tuple[int, int]] = []
    if count >= 4 * long_frame:
        bins = round(_LONG_FRAMES_BELOW_HZ * long_frame / sample_rate_hz)
        step = long_frame // 4
        slow = _active_frames(_excess(_frame_power(signal, long_frame, step, bins)))
        # A long frame holds its middle half; what only touches its edges is left to the others.
        far = [((i + 1) * step, min(count, (j + 2) * step)) for i, j in _runs(slow)]
    stretches = _join(sorted(near + far), shortest)
    return _drop_clicks([_sharpened(one, near, shortest) for one in stretches], signal)


def _sharpened(
    stretch: tuple[int, int], near: list[tuple[int, int]], slack: int
) -> tuple[int, int]:
    """The edges that short frames saw, unless long frames saw much more."""
    start, stop = stretch
    inside = [one for one in near if one[0] >= start and one[1] <= stop]
    if inside:
        first, last = inside[0][0], inside[-1][1]
        start = first if first - start < slack else start
        stop = last if stop - last < slack else stop
    return start, stop


def _frame_power(
    signal: NDArray[np.float32], frame: int, hop: int, bins: int
) -> NDArray[np.float32]:
    """Short-time power of the first bins above zero, shape (frames, bins)."""
    window = np.hanning(frame + 1)[:-1].astype(np.float32)
    frames = np.lib.stride_tricks.sliding_window_view(signal, frame)[::hop]
    offset = np.float32(np.mean(signal, dtype=np.float64))
    power = np.empty((frames.shape[0], bins), dtype=np.float32)
    for row in range(0, frames.shape[0], _CHUNK_FRAMES):
        chunk = (frames[row : row + _CHUNK_FRAMES] - offset) * window
        spectrum = fft.rfft(chunk, axis=1)[:, 1 : bins + 1]
        power[row : row + _CHUNK_FRAMES] = spectrum.real**2 + spectrum.imag**2
    return power


def _excess(power: NDArray[np.float32]) -> NDArray[np.float32]:
    """Short-time power beyond what the quiet level of the bin explains; below zero elsewhere."""
    rank = int(_QUIET_QUANTILE * (power.shape[0] - 1))
    quiet = np.partition(power, rank, axis=0)[rank].astype(np.float64) * _QUIET_TO_MEAN
    # In a short record the quantile scatters; its median over neighbouring bins does not, and
    # the larger of the two keeps the lines of hum.
    quiet = np.maximum(quiet, ndimage.median_filter(quiet, size=9, mode="nearest"))
    quiet = np.maximum(quiet, _RELATIVE_FLOOR * float(power.max(initial=0.0)))
    excess: NDArray[np.float32] = power - (_ACTIVE_ABOVE * quiet).astype(np.float32)
    return excess


def _active_frames(excess: NDArray[np.float32]) -> NDArray[np.bool_]:
    """Select the frames that hold excitation, shape (frames,)."""
    active: NDArray[np.bool_] = np.any(excess > 0.0, axis=1)
    return active


def _steadiness(excess: NDArray[np.float32]) -> float:
    """Share of the steps of the strongest frequency that go the way of the step before."""
    steps = np.sign(np.diff(np.argmax(excess[_active_frames(excess)], axis=1)))
    steps = steps[steps != 0]
    return float(np.mean(steps[1:] == steps[:-1])) if steps.size > 2 else 0.0


def _runs(active: NDArray[np.bool_]) -> list[tuple[int, int]]:
    """Runs of true values as (first, past last)."""
    edges = np.flatnonzero(np.diff(np.concatenate(([False], active, [False])).astype(np.int8)))
    return [(int(i), int(j)) for i, j in zip(edges[::2], edges[1::2], strict=True)]


def _join(stretches: list[tuple[int, int]], shortest_gap: int) -> list[tuple[int, int]]:
    joined = stretches[:1]
    for start, stop in stretches[1:]:
        if start - joined[-1][1] < shortest_gap:
            joined[-1] = (joined[-1][0], max(stop, joined[-1][1]))
        else:
            joined.append((start, stop))
    return joined


def _drop_clicks(
    stretches: list[tuple[int, int]], signal: NDArray[np.float32]
) -> list[tuple[int, int]]:
    energies = np.array([_energy(signal[i:j]) for i, j in stretches])
    if not stretches:
        return []
    keep = energies > _NEGLIGIBLE_ENERGY * energies.max()
    return [stretch for stretch, good in zip(stretches, keep, strict=True) if good]


def _energy(signal: NDArray[np.float32]) -> float:
    values: FloatArray = signal - np.mean(signal, dtype=np.float64)
    return float(np.dot(values, values))


def _silences(
    stretches: list[tuple[int, int]], count: int, margin: int
) -> tuple[tuple[int, int], ...]:
    edges = [0, *(frame for stretch in stretches for frame in stretch), count]
    silences = []
    for first, last in zip(edges[::2], edges[1::2], strict=True):
        begin = first if first == 0 else first + margin
        end = last if last == count else last - margin
        if end - begin >= 2 * margin:
            silences.append((begin, end))
    return tuple(silences)
