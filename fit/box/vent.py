"""The vent of a box: length for a tuning, tuning for a length.

fb is the tuning [Hz] of a net volume [m3] by equal round tubes of one bore and length [m]; ``ends``
is the end correction of both ends over the radius, one free and one flanged by default.
"""

from __future__ import annotations

import math

from fit.results.numbers import significant
from meas.errors import Refused

FREE_END = 0.6133
"""End correction of an unflanged circular tube over its radius, low frequency
(H. Levine, J. Schwinger, Phys. Rev. 73, 1948, 383)."""

FLANGED_END = 0.8216
"""End correction of a circular tube in an infinite flange over its radius, low frequency
(A. N. Norris, I. C. Sheng, J. Sound Vib. 135, 1989, as cited by Dalmont et al. 2001)."""
_ENDS = FREE_END + FLANGED_END
STRAIGHT = 0.8
"""Length of a tube that fits straight into a box, over the edge of a cube of the same volume: a
bore's width stays free behind its end (common practice, no source)."""


def effective_length(fb: float, volume: float, area: float, sound_speed: float) -> float:
    """Length of the air plug that tunes a box [m]: Leff = c^2 S/((2 pi fb)^2 V).

    A Helmholtz resonator (L. L. Beranek, Acoustics, 1954, chapter 5).

    Args:
        area: Total cross section of all vents [m2].
        sound_speed: Sound speed [m/s].
    """
    return sound_speed**2 * area / ((2 * math.pi * fb) ** 2 * volume)


def tube_length(fb: float, volume: float, bore: float, sound_speed: float, tubes: int = 1) -> float:
    """Length to cut for round tubes [m].

    A box of 24 litres tuned to 41 Hz by a tube of 50 mm:

    >>> print(f"{1e3 * tube_length(fb=41.0, volume=0.024, bore=0.05, sound_speed=343.2):.0f} mm")
    109 mm

    Raises:
        Refused: If even a mere hole would tune lower than wished, or no tube fits.
    """
    radius = bore / 2
    plug = effective_length(fb, volume, tubes * math.pi * radius**2, sound_speed)
    length = plug - _ENDS * radius
    if length <= 0:
        highest = tuning(0.0, volume, bore, sound_speed, tubes)
        raise Refused.because(
            "vent-too-narrow",
            f"a bore of {bore * 1e3:.0f} mm cannot tune {volume * 1e3:.3g} L to {fb:.3g} Hz: even "
            f"a bare hole gives {highest:.3g} Hz",
            next_step=f"Take a wider bore, {_bores(fb, volume, sound_speed, tubes)}, or more tubes",
        )
    narrower = f"Take a narrower bore, {_bores(fb, volume, sound_speed, tubes)}"
    check_room(length, volume, bore, tubes, narrower)
    return length


def check_room(length: float, volume: float, bore: float, tubes: int, next_step: str) -> None:
    """Refuse tubes that hold more air than the box.

    Where they do, the air in a tube is no plug either: its length, with its ends, is then above
    c/(2 pi fb), a sixth of a wave, and the formulas here do not hold.

    Raises:
        Refused: If they do.
    """
    inside = tubes * math.pi / 4 * bore**2 * length
    if inside > volume:
        raise Refused.because(
            "vent-too-large",
            f"{tubes} tube{'s' * (tubes > 1)} of {bore * 1e3:.0f} mm bore and "
            f"{significant(length, 2)} m would hold more air than the box of "
            f"{volume * 1e3:.3g} L: nobody can build that",
            next_step=next_step,
        )


def _bores(fb: float, volume: float, sound_speed: float, tubes: int) -> str:
    """Bores that can be built: from that of a bare hole to that of a tube that fits straight."""
    slope = tubes * effective_length(fb, volume, math.pi, sound_speed)  # of the length over r^2
    room = STRAIGHT * volume ** (1 / 3)
    widest = (_ENDS + math.sqrt(_ENDS**2 + 4 * slope * room)) / slope
    bare = 2 * _ENDS / slope
    return f"{math.ceil(1e3 * bare)} mm to {math.floor(1e3 * widest)} mm"


def tuning(length: float, volume: float, bore: float, sound_speed: float, tubes: int = 1) -> float:
    """Tuning fb of a box with round tubes [Hz]."""
    radius = bore / 2
    area = tubes * math.pi * radius**2
    return sound_speed / (2 * math.pi) * math.sqrt(area / (volume * (length + _ENDS * radius)))
