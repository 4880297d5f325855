"""Two inputs on two clocks: how fast they run apart, and one put on the clock of the other.

Playing on another device than the one that records does no harm: both inputs share one clock and
their ratio knows nothing of the player's. Two recorders, one for each input, run apart by some
parts in a million, and what looks like a delay that grows would be taken for phase.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from meas.curve import ComplexArray, FloatArray, TwoInputs
from meas.passivity.bode import phase_of_magnitude

_FRAME_SECONDS = 0.085
# Below, the ringing of a resonance outlasts the frame; above, anti-alias filters end the band.
_BAND = (300.0, 0.42)
_MOST_LINES = 300
_MOST_CORRELATED = 2**21
_FRAMES_AT_ONCE = 64
_LARGEST_PPM = 500.0
# A line tells of drift only when it was there at two times as far apart as this (rms).
_LEAST_SPREAD_SECONDS = 0.1
_LEAST_LINES = 20
# Frames weaker than this in a line, against its strongest, hold leakage and noise.
_LEAST_LEVEL = 0.03
# No two inputs of one card are this far apart, and frames do not mind.
_LEAST_OFFSET = 64
_ROUNDS = 4
_SETTLED_PPM = 0.01
# One crystal drifts against itself by nothing; heating and noise pretend less than this.
_LEAST_PPM = 0.5
_COVERAGE = 6.0
# Up to which residual delay, in samples and as a part of the whole slip, a steady drift explains
# what is seen. A channel that lost a frame half-way leaves half of its slip.
_LARGEST_WANDER = 0.1
_LARGEST_WANDER_PART = 0.1
# How well the frames of a line must agree, 1 at best, before anything is said about a drift.
_LEAST_AGREEMENT = 0.7
_HALF_TAPS = 32
_KAISER_BETA = 9.0
_PHASES = 1024
_CHUNK = 1 << 15


@dataclass(frozen=True)
class Drift:
    """Clock of the driver input against that of the source input.

    Attributes:
        ppm: Parts in a million by which it is faster.
        offset: Samples by which the driver input begins late.
        wander: Largest deviation from a steady drift [samples].
        slip: How far the inputs slip against each other during the recording [samples].
    """

    ppm: float
    offset: float
    wander: float
    slip: float

    @property
    def steady(self) -> bool:
        """Tell whether a steady drift explains what is seen."""
        if self.wander > _LARGEST_WANDER:
            return False
        # Without drift there is only the offset, which needs no steadiness beyond that.
        return self.slip < _LARGEST_WANDER or self.wander < _LARGEST_WANDER_PART * self.slip


def find_drift(samples: TwoInputs, sample_rate_hz: int) -> Drift | None:
    """Find out whether the two inputs of a recording run on different clocks.

    In short frames the cross spectrum of a line at f turns by 2 pi f ppm t with the time t of the
    frame. The drift that makes all frames of every line agree is searched, taken out, and what is
    left of it is found by linear regression, until nothing is left.

    Returns:
        The drift; None when there is none to speak of, or when no frequency was there at two
        times, so that nothing can be said (a single sweep).
    """
    offset = _offset(samples)
    source = np.asarray(samples[:, 0], dtype=np.float64)
    total = 0.0
    fitted: tuple[float, float, float] | None = None
    lines = None
    for turn in range(_ROUNDS):
        driver = samples[:, 1] if turn == 0 and not offset else _moved(samples, total, offset)
        lines = _lines(source, np.asarray(driver, dtype=np.float64), sample_rate_hz)
        if lines is None:
            return None
        start = _searched(*lines) if turn == 0 else 0.0
        fitted = _regressed(*lines, start, sample_rate_hz)
        step, spread, _ = fitted
        if turn == 0 and not offset and abs(step) < max(_LEAST_PPM, _COVERAGE * spread):
            return None
        total += step
        if abs(step) < _SETTLED_PPM:
            break
    if fitted is None or lines is None or _agreement(lines[2]) < _LEAST_AGREEMENT:
        return None
    if abs(total) < max(_LEAST_PPM, _COVERAGE * fitted[1]) and not offset:
        return None
    return Drift(total, offset, fitted[2], abs(total) * 1e-6 * len(samples))


def on_one_clock(samples: TwoInputs, drift: Drift) -> NDArray[np.float32]:
    """The recording with the driver input resampled to the clock of the source input.

    Interpolation by 64 taps of a sinc under a Kaiser window (J. F. Kaiser's design rule: 90 dB
    below 0.45 of the rate).

    Returns:
        Shape (n, 2); silence where the driver input did not reach.
    """
    return np.stack([samples[:, 0], _moved(samples, drift.ppm, drift.offset)], axis=1).astype(
        np.float32
    )


def excess_delay(frequency_hz: FloatArray, ratio: ComplexArray) -> float:
    """Delay that a ratio of minimum phase cannot have by itself [s].

    A divider of passive parts has minimum phase, which follows from its magnitude
    (`meas.passivity.bode`); beyond the band that is taken as level.

    Args:
        frequency_hz: Increasing [Hz], shape (n,).
        ratio: Driver input over source input, complex, shape (n,).

    Returns:
        The delay of the driver input, good to some tenths of a sample.
    """
    inside = (frequency_hz > 3.0 * frequency_hz[0]) & (frequency_hz < frequency_hz[-1] / 2.0)
    at = np.flatnonzero(inside)
    expected = phase_of_magnitude(frequency_hz, np.log(np.abs(ratio)), frequency_hz[at])
    over = np.angle(ratio[at] * np.exp(-1j * expected))
    for place in range(1, at.size):
        near = over[place - 1] * frequency_hz[at[place]] / frequency_hz[at[place - 1]]
        over[place] += 2 * np.pi * np.round((near - over[place]) / (2 * np.pi))
    omega = 2 * np.pi * frequency_hz[at]
    return float(-(over @ omega) / (omega @ omega))


def _offset(samples: TwoInputs) -> int:
    """Whole samples by which the driver input is late, by correlation; 0 when it is not."""
    from scipy.fft import irfft, next_fast_len, rfft

    # The middle of a very long recording tells as much and needs less memory.
    spare = max(0, len(samples) - _MOST_CORRELATED) // 2
    part = samples[spare : len(samples) - spare]
    length = next_fast_len(2 * len(part), real=True)
    one, other = (rfft(part[:, channel], length) for channel in (0, 1))
    cross = np.conj(one) * other
    found = irfft(cross / np.sqrt(np.abs(cross) + 1e-12), length)
    lag = int(np.argmax(np.abs(found)))
    lag = lag if lag <= length // 2 else lag - length
    return lag if abs(lag) >= _LEAST_OFFSET else 0


def _lines(
    source: FloatArray, driver: FloatArray, rate: int
) -> tuple[FloatArray, FloatArray, ComplexArray] | None:
    """Frequencies (f,), times (b,) and cross spectra (f, b), each line of size 1 in sum."""
    length = int(2 ** np.round(np.log2(_FRAME_SECONDS * rate)))
    if source.size < 4 * length:
        return None
    window = np.hanning(length)
    starts = np.arange(0, source.size - length + 1, length // 2)
    bins = np.arange(int(np.ceil(_BAND[0] * length / rate)), int(_BAND[1] * length), dtype=np.int64)
    bins = bins[np.linspace(0, bins.size - 1, min(_MOST_LINES, bins.size)).astype(int)]
    cross = np.empty((bins.size, starts.size), dtype=np.complex128)
    for begin in range(0, starts.size, _FRAMES_AT_ONCE):
        some = slice(begin, begin + _FRAMES_AT_ONCE)
        rows = starts[some, None] + np.arange(length)
        one = np.fft.rfft(source[rows] * window, axis=1)[:, bins]
        other = np.fft.rfft(driver[rows] * window, axis=1)[:, bins]
        cross[:, some] = (np.conj(one) * other).T
    size = np.abs(cross)
    cross = np.where(size > _LEAST_LEVEL * size.max(axis=1, keepdims=True), cross, 0.0)
    weight = np.abs(cross)
    total = weight.sum(axis=1)
    times = (starts + length / 2) / rate
    alive = total > 1e-6 * total.max(initial=0.0)
    cross, weight = cross[alive] / total[alive, None], weight[alive] / total[alive, None]
    middle = weight @ times
    spread = np.sqrt(np.maximum(weight @ times**2 - middle**2, 0.0))
    telling = spread > _LEAST_SPREAD_SECONDS
    if np.count_nonzero(telling) < _LEAST_LINES:
        return None
    return (bins * rate / length)[alive][telling], times, cross[telling]


def _searched(frequency: FloatArray, times: FloatArray, cross: ComplexArray) -> float:
    """The drift [ppm] under which the frames of every line agree best.

    Low lines first, on which a wide range of drifts turns by little; each higher set narrows it.
    """
    best, width = 0.0, _LARGEST_PPM
    extent = float(times[-1] - times[0])
    for top in (1000.0, 3000.0, 10000.0):
        use = frequency <= max(top, float(frequency[min(_LEAST_LINES, frequency.size - 1)]))
        step = 0.3e6 / (2 * np.pi * min(top, float(frequency[-1])) * extent)
        tried = best + np.arange(-width, width + step / 2, step)
        turn = 2j * np.pi * 1e-6 * frequency[use, None] * times
        agreement = [
            float(np.sum(np.abs(np.sum(cross[use] * np.exp(turn * one), axis=1)) ** 2))
            for one in tried
        ]
        best, width = float(tried[int(np.argmax(agreement))]), 6.0 * step
    return best


def _agreement(cross: ComplexArray) -> float:
    """Agreement of the frames of each line in phase: 1 at best, 1/frames for noise."""
    return float(np.mean(np.abs(cross.sum(axis=1)) ** 2))


def _regressed(
    frequency: FloatArray, times: FloatArray, cross: ComplexArray, start: float, rate: int
) -> tuple[float, float, float]:
    """Drift [ppm], its standard uncertainty, and the largest residual delay [samples]."""
    omega = 2 * np.pi * frequency[:, None]
    turned = cross * np.exp(1j * omega * times * start * 1e-6)
    weight = np.abs(turned)
    mean = turned.sum(axis=1, keepdims=True)
    angle = np.where(weight > 0, np.angle(turned * np.conj(mean)), 0.0)
    # A line's mean is of angles; weighting by size makes both means the same to first order.
    angle -= (weight * angle).sum(axis=1, keepdims=True)
    lever = omega * (times - (weight * times).sum(axis=1, keepdims=True))
    square = float(np.sum(weight * lever**2))
    slope = -float(np.sum(weight * lever * angle)) / square
    rest = angle + slope * lever
    # Frames overlap by half under a window: about two in three are independent.
    variance = 1.5 * float(np.sum((weight * lever * rest) ** 2)) / square**2
    power = np.sum(weight * omega**2, axis=0)
    delay = -np.sum(weight * omega * rest, axis=0) / np.maximum(power, 1e-30)
    loud = power > 0.02 * power.max(initial=0.0)
    wander = float(np.abs(delay[loud]).max(initial=0.0)) * rate
    return start + 1e6 * slope, 1e6 * float(np.sqrt(variance)), wander


def _moved(samples: TwoInputs, ppm: float, offset: float) -> FloatArray:
    """The driver input at the times of the source input's samples, shape (n,)."""
    signal = np.asarray(samples[:, 1], dtype=np.float64)
    padded = np.concatenate([np.zeros(_HALF_TAPS), signal, np.zeros(_HALF_TAPS + 1)])
    taps = np.arange(-_HALF_TAPS + 1, _HALF_TAPS + 1)
    table = _kernels(taps)
    out = np.zeros(signal.size)
    for begin in range(0, signal.size, _CHUNK):
        index = np.arange(begin, min(begin + _CHUNK, signal.size))
        where = index * (1 + 1e-6 * ppm) + offset
        inside = (where >= 0) & (where <= signal.size - 1)
        whole = np.floor(where[inside]).astype(np.int64)
        phase = (where[inside] - whole) * _PHASES
        row = phase.astype(np.int64)
        part = (phase - row)[:, None]
        values = padded[whole[:, None] + taps + _HALF_TAPS]
        kernel = table[row] * (1 - part) + table[row + 1] * part
        out[index[inside]] = np.einsum("ij,ij->i", values, kernel)
    return out


def _kernels(taps: NDArray[np.int64]) -> FloatArray:
    """Windowed sinc at 1024 fractions of a sample, between which straight lines err by 1e-6."""
    apart = taps - (np.arange(_PHASES + 1) / _PHASES)[:, None]
    shape = np.sqrt(np.maximum(1 - (apart / _HALF_TAPS) ** 2, 0.0))
    kernels: FloatArray = np.sinc(apart) * np.i0(_KAISER_BETA * shape) / np.i0(_KAISER_BETA)
    return kernels
