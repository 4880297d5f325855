"""Circuits of coils and suspensions: sections of resistance beside inductance, in series."""

from __future__ import annotations

import math

Section = tuple[float | None, float | None]
"""Resistance [ohm] parallel to inductance [H], None where absent."""

STEP = 0.6
"""Step of an expansion in sections, in the logarithm of their corner frequency.

The trapezoidal rule for an analytic integrand errs by exp(-pi^2/step), here 7e-8 (L. N. Trefethen,
J. A. C. Weideman, SIAM Review 56(3), 2014).
"""

_MARGIN = math.log(1e4)
"""How far an expansion reaches beyond the band at either end; what lies outside is summed in
closed form to first order, which leaves its square."""


def lowest_step(low_hz: float) -> int:
    """First step of an expansion that is to be right from a frequency on."""
    return math.floor((math.log(2 * math.pi * low_hz) - _MARGIN) / STEP)


def highest_corner(high_hz: float) -> float:
    """Logarithm of the angular frequency that an expansion must reach to be right up to another."""
    return math.log(2 * math.pi * high_hz) + _MARGIN
