"""Preferred values of resistors, capacitors and inductors (IEC 60063)."""

from __future__ import annotations

import bisect
import math

SERIES = (3, 6, 12, 24, 48, 96, 192)

# IEC 60063 keeps these historical values where the rule below rounds otherwise.
_HISTORICAL = {26: 27, 29: 30, 32: 33, 35: 36, 38: 39, 42: 43, 46: 47, 83: 82}


def decade(series: int) -> tuple[float, ...]:
    """List the values of one decade, 1 <= value < 10.

    10^(i/n) rounded to two digits up to E24 and to three above, with the historical exceptions
    of E24 and 9.20 in E192 (IEC 60063:2015).

    Raises:
        ValueError: If there is no such series.
    """
    if series not in SERIES:
        raise ValueError(f"there is no series E{series}; there are {SERIES}")
    if series <= 24:
        step = 24 // series
        e24 = [round(10 * 10 ** (i / 24)) for i in range(24)]
        return tuple(_HISTORICAL.get(value, value) / 10 for value in e24[::step])
    rounded = [round(100 * 10 ** (i / series)) for i in range(series)]
    return tuple((920 if value == 919 else value) / 100 for value in rounded)


def nearest(value: float, series: int = 24) -> float:
    """Find the preferred value nearest in ratio, in the unit of ``value``.

    >>> nearest(5.9, series=12), nearest(5.9, series=24), nearest(5.9, series=96)
    (5.6, 6.2, 5.9)

    Args:
        value: Positive value.
    """
    below = [v / 10 for v in decade(series)[-1:]]
    ladder = [*below, *decade(series), 10.0]
    scale = 10.0 ** math.floor(math.log10(value))
    place = bisect.bisect(ladder, value / scale)
    around = ladder[max(place - 1, 0) : place + 1]
    best = min(around, key=lambda v: abs(math.log(v * scale / value)))
    return float(f"{best * scale:.12g}")
