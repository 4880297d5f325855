"""The sign of the first pulse in a recording: which terminal of a driver is plus.

A coil that moves in its magnet is a generator (Faraday's law). A positive voltage on plus moves
the cone out; moving it out by hand gives a positive voltage on plus, for the back electromotive
force opposes the current that would move it so (Lenz's law). Pressing the cone in therefore
makes plus negative, first of all; what comes after depends on the hand and on coupling
capacitors.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np

from meas.curve import FloatArray
from meas.errors import Finding, Refused

_FULL_SCALE = 0.999
_SIGNIFICANT = 6.0
"""Height of a pulse over the noise, in its standard deviations, from which it counts."""
_LEAST_PEAK = 1e-4
"""Smallest pulse that is not taken for drift or crosstalk, full scale 1 (-80 dB)."""
_FIRST_SHARE = 0.35
"""A first excursion smaller than this share of the largest may be a tremor of the hand."""
_ALIKE = 0.8
"""Share from which an excursion of the other sign is as good as the first."""
_HAND_SECONDS = 0.035
"""A hand takes longer than this to move a cone by a millimetre (common practice, no source).

Even behind a coupling capacitor, which makes a second excursion of the other sign out of every
press, the first then lasts longer; where both are shorter their order means nothing.
"""
_CLIPPED = Finding(
    "clipped",
    "an input is driven to full scale, and a clipped pulse may begin anywhere",
    refuses=True,
    next_step="Press more gently, or lower the input's gain",
)
_BEFORE_AREA = 0.003
"""Share of the pulse's area from which what went before it is a movement of its own.

The area of the voltage is the distance that the cone moved (Faraday's law); a coupling capacitor
with a time constant of 30 ms leaves 0.8 % of a press that took four seconds.
"""
_MOST_SWINGS = 10
"""Excursions of a third of the largest from which it is a signal: three presses have six."""
_MOST_OF_TOUCH = 6
"""Excursions of a tenth: touch and release, each with what a coupling capacitor adds, are four."""
_SMOOTH_SHARE = 0.25
"""A touch or a press keeps more than this of its height when a period of the mains is averaged."""
_HOLD_SECONDS = 0.15
"""Rest between press and release from which they are two movements."""
_RELEASE_SHARES = (0.3, 3.0)
"""Area of a release over that of its press: the same distance, less what the coupling takes."""
_TAIL_SECONDS = 1.5
_BLOCK_SECONDS = 0.25
_QUIET_SHARE = 0.25
_SHORTEST_SECONDS = 1.0


@dataclass(frozen=True)
class Pulse:
    """The first significant excursion of a recording.

    Attributes:
        sign: +1 or -1.
        at_s: When it peaks, from the start of the recording [s].
        noise: Standard deviation of the noise that it stands above, full scale 1.
    """

    sign: int
    at_s: float
    height: float
    noise: float


def across_driver(samples: FloatArray, resistor_side: str) -> FloatArray:
    """Voltage of the driver's terminal on the amplifier's side against its other one.

    Args:
        samples: Source input and driver input, full scale 1, shape (n, 2).
        resistor_side: ``hot``: the driver sits between driver input and ground; ``ground``:
            between source node and driver input.

    Returns:
        Shape (n,).

    Raises:
        Refused: ``clipped``.
    """
    if np.max(np.abs(samples)) >= _FULL_SCALE:
        raise Refused([_CLIPPED])
    second = np.asarray(samples[:, 1], dtype=np.float64)
    return second if resistor_side == "hot" else samples[:, 0] - second


def first_pulse(samples: FloatArray, sample_rate_hz: int, mains_hz: float = 50.0) -> Pulse:
    """The first significant excursion, hum and noise averaged away.

    The signal is averaged over one period of the mains, which takes out hum with all its
    harmonics and leaves the tenth of a second that a hand takes.

    Args:
        samples: One input, full scale 1, shape (n,).

    Raises:
        Refused: ``clipped``, ``too-short``, ``no-pulse``, ``noisy``, ``ambiguous-pulse``,
            ``not-a-pulse``.
    """
    samples = np.asarray(samples, dtype=np.float64)
    if samples.size < round(_SHORTEST_SECONDS * sample_rate_hz):
        raise Refused.because("too-short", "the recording is too short to hold a pulse; record 5 s")
    if np.max(np.abs(samples)) >= _FULL_SCALE:
        raise Refused([_CLIPPED])
    smooth, noise = _smoothed(samples, sample_rate_hz, mains_hz)
    peak = float(np.max(np.abs(smooth)))
    if peak < _LEAST_PEAK:
        raise Refused.because(
            "no-pulse",
            f"nothing above {100 * peak:.2g} % of full scale was heard",
            next_step=(
                "Press the cone while it records, raise the input's gain, and see that the driver "
                "is connected"
            ),
        )
    if peak < _SIGNIFICANT * noise:
        raise Refused.because(
            "noisy",
            f"the largest excursion is only {peak / noise:.1f} times the noise: no pulse can be "
            "told from it",
            next_step="Shorten the leads, keep away from mains cables, press less slowly",
        )
    _check_swings(smooth, _FIRST_SHARE * peak, _MOST_SWINGS)
    found = _judged(smooth, sample_rate_hz, noise, peak)
    return replace(found, at_s=found.at_s + _period(sample_rate_hz, mains_hz) / 2 / sample_rate_hz)


def of_press(samples: FloatArray, sample_rate_hz: int, mains_hz: float = 50.0) -> Pulse:
    """The pulse of a press, if it cannot be that of a release after a press that went unseen.

    The input's coupling takes slow movements away: of a press that lasts T it leaves tau^2/T^3 of
    the distance, behind two corners of time constant tau. So either the release is seen as well, on
    its own and of the other sign; or no press in the time before the pulse can have hidden from an
    input with the coupling that the pulse's own tail shows.

    Args:
        samples: Voltage of the driver, full scale 1, shape (n,).

    Raises:
        Refused: As `first_pulse`; ``ambiguous-pulse`` also where a press may have gone unseen.
    """
    found = first_pulse(samples, sample_rate_hz, mains_hz)
    smooth, noise = _smoothed(samples, sample_rate_hz, mains_hz)
    excursions = _significant(smooth, noise)
    if _released(smooth, excursions, sample_rate_hz):
        return found
    if _unseen_s(smooth, excursions[0], max(_SIGNIFICANT * noise, _LEAST_PEAK), sample_rate_hz):
        raise Refused.because(
            "ambiguous-pulse",
            "a slow press before the pulse could not be seen through the coupling of this input: "
            "the pulse may be its release",
            next_step="Press within a moment of the word, hold for a second, and let go quickly",
        )
    return found


def only_touched(samples: FloatArray, sample_rate_hz: int, mains_hz: float = 50.0) -> None:
    """Make sure that an input shows the touch of a cell and no signal such as a sweep.

    Args:
        samples: One input, full scale 1, shape (n,).

    Raises:
        Refused: ``not-a-pulse``.
    """
    signal = np.asarray(samples, dtype=np.float64) - np.median(samples)
    smooth = _averaged(signal, _period(sample_rate_hz, mains_hz))
    peak = float(np.max(np.abs(smooth)))
    if peak < _SMOOTH_SHARE * np.max(np.abs(signal)):
        raise Refused.because("not-a-pulse", _NO_PULSE)
    _check_swings(smooth, 0.1 * peak, _MOST_OF_TOUCH)


_NO_PULSE = (
    "the input carries a signal that swings to and fro, such as a sweep or hum, and no single "
    "pulse. Play nothing while it listens, and disconnect what does not belong there"
)


def _check_swings(smooth: FloatArray, threshold: float, most: int) -> None:
    if len(_excursions(smooth, threshold)) > most:
        raise Refused.because("not-a-pulse", _NO_PULSE)


def _check_before(smooth: FloatArray, rate: int, noise: float, first: tuple[int, int]) -> None:
    """Refuse slow motion before the pulse: that was the press, and this its release."""
    begin, end = first
    sign = np.sign(smooth[begin])
    height = float(np.max(np.abs(smooth[begin:end])))
    threshold = max(_SIGNIFICANT * noise, min(_LEAST_PEAK, 0.003 * height))
    while begin > 0 and sign * smooth[begin - 1] > threshold:  # the pulse's own slow beginning
        begin -= 1
    beyond = np.abs(smooth[:begin])
    beyond = beyond[beyond > threshold]
    if beyond.sum() > _BEFORE_AREA * np.abs(smooth[begin:end]).sum():
        raise Refused.because(
            "ambiguous-pulse",
            f"something moved slowly for {beyond.size / rate:.2f} s before the pulse: the press "
            "may have been that, and the pulse its release. Wait, press once within a moment, and "
            "hold",
        )


def _judged(smooth: FloatArray, rate: int, noise: float, peak: float) -> Pulse:
    excursions = _significant(smooth, noise)
    begin, end = excursions[0]
    if begin <= 1:
        raise Refused.because(
            "ambiguous-pulse",
            "the pulse had begun before the recording did",
            next_step="Start it first, wait, then press",
        )
    _check_before(smooth, rate, noise, excursions[0])
    at = begin + int(np.argmax(np.abs(smooth[begin:end])))
    height = float(smooth[at])
    if abs(height) < _FIRST_SHARE * peak and not _released(smooth, excursions, rate):
        raise Refused.because(
            "ambiguous-pulse",
            f"a small excursion of {100 * abs(height):.2g} % comes before a larger one of "
            f"{100 * peak:.2g} %: which of them was the press cannot be told",
            next_step="Keep still, then press once, gently, and hold",
        )
    short = end - begin < _HAND_SECONDS * rate
    for start, stop in excursions[1:]:
        opposite = float(np.max(np.abs(smooth[start:stop])))
        soon = start - end < _HAND_SECONDS * rate
        if short and soon and opposite > _ALIKE * abs(height):
            raise Refused.because(
                "ambiguous-pulse",
                f"excursions of both signs and about one size ({100 * abs(height):.2g} and "
                f"{100 * opposite:.2g} %) follow each other faster than a hand: the cone was "
                "knocked, or something else made a noise",
                next_step="Press it once, gently, and hold",
            )
    return Pulse(1 if height > 0 else -1, at / rate, abs(height), noise)


def _released(smooth: FloatArray, excursions: list[tuple[int, int]], rate: int) -> bool:
    """Tell whether an excursion of the other sign stands apart from the first, as far back.

    What a coupling capacitor makes of a pulse follows at once.
    """
    begin, end = excursions[0]
    area = float(smooth[begin:end].sum())
    quiet_since = end
    for start, stop in excursions[1:]:
        moved = float(smooth[start:stop].sum())
        apart = start - quiet_since > _HOLD_SECONDS * rate
        if apart and -_RELEASE_SHARES[1] < moved / area < -_RELEASE_SHARES[0]:
            return True
        quiet_since = stop
    return False


def _unseen_s(smooth: FloatArray, first: tuple[int, int], least: float, rate: int) -> float:
    """Longest press before the pulse that would not have been seen [s]; 0 for none.

    The tail of a pulse of area A behind one corner is -(A/tau) exp(-t/tau): three tenths of A have
    gone after 0.357 tau. Two corners of twice that time constant leave the same first slope and
    hide more.
    """
    from scipy.signal import bilinear, lfilter

    begin, end = first
    area = abs(float(smooth[begin:end].sum())) / rate
    sign = np.sign(smooth[begin])
    tail = np.cumsum(-sign * smooth[end : end + round(_TAIL_SECONDS * rate)]) / rate
    gone = np.flatnonzero(tail > 0.3 * area)
    tau = (int(gone[0]) + 1 if gone.size else tail.size) / rate / 0.357
    corner = bilinear([2 * tau, 0.0], [2 * tau, 1.0], rate)
    for lasting in np.geomspace(0.1, max(begin / rate, 0.1), 9)[::-1]:
        t = np.arange(round(lasting * rate)) / rate / lasting
        # As hands move, with the least jerk (T. Flash, N. Hogan, J. Neurosci. 5(7), 1985).
        pace = 30 * t**2 * (1 - t) ** 2 * area / lasting
        if np.max(np.abs(lfilter(*corner, lfilter(*corner, pace)))) < least:
            return float(lasting)
    return 0.0


def _period(rate: float, mains_hz: float) -> int:
    """Samples in one period of the mains."""
    return max(1, round(rate / mains_hz))


def _smoothed(samples: FloatArray, rate: int, mains_hz: float) -> tuple[FloatArray, float]:
    """The input without hum and offset, and its noise."""
    smooth = _averaged(np.asarray(samples, dtype=np.float64), _period(rate, mains_hz))
    smooth = smooth - np.median(smooth)
    return smooth, _quiet(smooth, rate)


def _significant(smooth: FloatArray, noise: float) -> list[tuple[int, int]]:
    """Excursions that stand out of the noise and are not much smaller than the largest."""
    peak = float(np.max(np.abs(smooth)))
    return _excursions(smooth, max(_SIGNIFICANT * noise, 0.1 * peak, _LEAST_PEAK))


def _averaged(samples: FloatArray, period: int) -> FloatArray:
    """Moving average over one period, where all of it lies inside, shape (n - period + 1,)."""
    sums = np.concatenate([np.zeros(1), np.cumsum(samples)])
    return np.asarray((sums[period:] - sums[:-period]) / period)


def _quiet(smooth: FloatArray, rate: int) -> float:
    """Noise: standard deviation in the quieter blocks, for the hand rests some of the time."""
    size = max(1, min(round(_BLOCK_SECONDS * rate), smooth.size))
    blocks = smooth[: smooth.size // size * size].reshape(-1, size)
    return float(np.quantile(np.std(blocks, axis=1), _QUIET_SHARE))


def _excursions(smooth: FloatArray, threshold: float) -> list[tuple[int, int]]:
    """Stretches beyond the threshold, of one sign each, in order."""
    state = np.where(smooth > threshold, 1, np.where(smooth < -threshold, -1, 0))
    edges = np.flatnonzero(np.diff(state, prepend=0, append=0))
    return [(int(a), int(b)) for a, b in pairwise(edges) if state[a] != 0]
