"""Root of a function of one number, where loading ``scipy.optimize`` takes longer than a fit."""

from __future__ import annotations

from collections.abc import Callable


def bisected(function: Callable[[float], float], low: float, high: float) -> float | None:
    """Find where a continuous function changes its sign, to the last digit.

    >>> bisected(lambda x: x * x - 2, 0.0, 2.0)
    1.414213562373095

    Args:
        function: To be zero.
        low: Lower end of where to look.
        high: Upper end.

    Returns:
        The root; None where the sign is the same at both ends.
    """
    if function(high) == 0:
        return high
    negative = function(low) < 0
    if negative == (function(high) < 0):
        return None
    while low < (middle := (low + high) / 2) < high:
        if (function(middle) < 0) == negative:
            low = middle
        else:
            high = middle
    return low
