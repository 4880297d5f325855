"""Causes in the build that harmonics show: a coil off the middle, an uneven suspension."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from meas.curve import FloatArray
from meas.errors import Finding

_GRAVITY = 9.80665
_LEAST = 0.005
"""Even harmonics from which a cause is named; healthy drivers at the level of an impedance take
stay below (common practice, no source)."""
_OVER_ODD = 2.0
_OVER_NOISE = 3.0
_NEAR = (0.4, 1.3)  # re the resonance, where the excursion is largest
_FEWEST = 3


@dataclass(frozen=True, eq=False)
class Harmonics:
    """Harmonics of the driver's voltage over its fundamental.

    Attributes:
        frequency_hz: Frequency of the fundamental, shape (n,).
        even: Second harmonic, or all even ones, shape (n,); NaN where noise hides it.
        odd: Third harmonic, or all odd ones, shape (n,).
        noise: Level that noise alone would show, shape (n,).
    """

    frequency_hz: FloatArray
    even: FloatArray
    odd: FloatArray
    noise: FloatArray


def uneven(harmonics: Harmonics, fs_hz: float) -> tuple[Finding, ...]:
    """Find even harmonics that outgrow the odd ones where the cone moves most.

    A motor and a suspension that are alike in both directions make odd harmonics only, because
    their force changes sign with the displacement; every even one is unevenness. Off the middle of
    the gap, the field that the coil sees has a slope, and the second harmonic grows as the
    excursion, the third as its square.

    Args:
        fs_hz: Resonance [Hz].
    """
    f = harmonics.frequency_hz
    near = (f > _NEAR[0] * fs_hz) & (f < _NEAR[1] * fs_hz)
    clear = near & np.isfinite(harmonics.even) & np.isfinite(harmonics.odd)
    clear &= harmonics.even > _OVER_NOISE * harmonics.noise
    if np.count_nonzero(clear) < _FEWEST:
        return ()
    even = float(np.sqrt(np.mean(harmonics.even[clear] ** 2)))
    odd = float(np.sqrt(np.mean(harmonics.odd[clear] ** 2)))
    if even < _LEAST or even < _OVER_ODD * odd:
        return ()
    sag = 1e3 * _GRAVITY / (2 * math.pi * fs_hz) ** 2
    return (
        Finding(
            "off-centre-or-uneven",
            f"Even harmonics ({100 * even:.2g} % near {fs_hz:.3g} Hz) are {even / odd:.1f} times "
            "the odd ones: inwards and outwards are not alike. Either the coil rests off the "
            "middle of the gap, or the suspension is stiffer to one side (cup of the spider, "
            "bulge of the surround). Harmonics alone cannot tell which.",
            next_step=(
                "measure how far the winding stands out before and behind the plate. Then sweep "
                f"once with the cone up and once down, which moves the rest by {sag:.2g} mm either "
                "way. Fewer even harmonics in one of them tell the side to correct."
            ),
        ),
    )
