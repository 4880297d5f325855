"""First idea of a box from the curve alone: where its impedance peaks."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from fit.numerics.peaks import peaks as find_peaks
from meas.curve import Curve, FloatArray
from meas.errors import Finding, Refused

_PROMINENCE = 0.15
"""Least height of a peak over its surroundings, in the logarithm of |Z|."""
_REACH = 6.0
"""How far above the driver's resonance a box may raise a peak."""


@dataclass(frozen=True)
class Peaks:
    """Peaks of |Z| in the bass, and the dip between two.

    Attributes:
        at_hz: Frequency of each peak, ascending [Hz].
        dip_hz: Least |Z| between the first two [Hz]; None with one peak.
    """

    at_hz: tuple[float, ...]
    dip_hz: float | None

    @property
    def words(self) -> str:
        """Number of peaks, and where they lie."""
        seen = ", ".join(f"{hz:.3g} Hz" for hz in self.at_hz) or "nowhere"
        return f"{len(self.at_hz)} (at {seen})"


def find(curve: Curve, fs: float) -> Peaks:
    """Find the peaks of a curve up to six times the driver's resonance."""
    f, size = curve.frequency_hz, curve.magnitude_ohm
    inside = f <= _REACH * fs
    f, size = f[inside], size[inside]
    if f.size < 5:
        return Peaks((), None)
    level = np.log(_smooth(size))
    found = [index for index, _ in find_peaks(level, _PROMINENCE)]
    tops = tuple(_vertex(f, level, index) for index in found)
    dip = None
    if len(found) > 1:
        a, b = found[:2]
        dip = _vertex(f, -level, a + int(np.argmin(level[a : b + 1])))
    return Peaks(tops, dip)


def vented(peaks: Peaks, lowest_hz: float) -> tuple[float, float]:
    """Find alpha = Vas/Vb and fb of a lossless vented box with such peaks.

    fb is where |Z| dips between them; fs then is fL fH/fb, and alpha = (fL^2 + fH^2 - fb^2)/fs^2
    - 1 (R. H. Small, Vented-box loudspeaker systems, J. Audio Eng. Soc. 21(5), 1973).

    Args:
        lowest_hz: Lowest frequency of the curve [Hz].

    Raises:
        Refused: ``no-double-peak``, ``no-box``.
    """
    if len(peaks.at_hz) != 2 or peaks.dip_hz is None:
        raise Refused.because(
            "no-double-peak",
            f"a vented box shows two peaks in the bass, this curve has {peaks.words}, seen from "
            f"{lowest_hz:.3g} Hz up. Is the vent open, the box tight, the tube much too short or "
            "too long, or does the sweep begin above the lower peak? If the box is closed, say "
            "--closed",
        )
    (low, high), fb = peaks.at_hz, peaks.dip_hz
    fs = low * high / fb
    alpha = (low**2 + high**2 - fb**2) / fs**2 - 1
    if alpha <= 0:
        raise Refused([_NO_BOX])
    return alpha, fb


def closed(peaks: Peaks, fs: float) -> float:
    """Find alpha = Vas/Vb of a closed box with such a peak: (fc/fs)^2 - 1 (Small 1972).

    Raises:
        Refused: ``no-single-peak``, ``no-box``.
    """
    if len(peaks.at_hz) != 1:
        raise Refused.because(
            "no-single-peak",
            f"a closed box shows one peak in the bass, this curve has {peaks.words}. A second one "
            "means a large leak or an open vent: seal it and measure again, or say --vented",
        )
    alpha = (peaks.at_hz[0] / fs) ** 2 - 1
    if alpha < 0.05:
        raise Refused([_NO_BOX])
    return alpha


def _smooth(size: FloatArray) -> FloatArray:
    """Median of three: one wild point is no peak."""
    padded = np.concatenate([size[:1], size, size[-1:]])
    return np.asarray(np.median(np.stack([padded[:-2], padded[1:-1], padded[2:]]), axis=0))


def _vertex(f: FloatArray, level: FloatArray, i: int) -> float:
    """Vertex of the parabola through three points of a peak, in ln f [Hz]."""
    if not 0 < i < f.size - 1:
        return float(f[i])
    x, y = np.log(f[i - 1 : i + 2]), level[i - 1 : i + 2]
    a, b, _ = np.polyfit(x - x[1], y, 2)
    if a >= 0:
        return float(f[i])
    return float(math.exp(x[1] + float(np.clip(-b / (2 * a), x[0] - x[1], x[2] - x[1]))))


_NO_BOX = Finding(
    "no-box",
    "the peak lies no higher than in free air: no box acts on this cone. Is it the driver of this "
    "fit, is it mounted, and is the box closed behind it?",
    refuses=True,
)
