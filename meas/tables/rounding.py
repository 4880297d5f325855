"""Rounding that the numbers of a table show: what a meter's display or a writer left out."""

from __future__ import annotations

import numpy as np

from meas.curve import FloatArray

_MOST_DIGITS = 4
"""Values with more significant digits were computed, or are rounded by less than 0.05 %."""


def visible_limits(values: FloatArray) -> FloatArray | None:
    """Half a unit of the last digit that each value can have shown, shape (n,).

    A display rounds to a number of decimals, to a number of significant digits, or changes its
    range. Zeros at the end may have got lost on the way ("7" for "7.0"), so the column as a whole
    tells how many there were; of the two ways of rounding that it allows for, the coarser is
    taken for each value.

    Args:
        values: A column of numbers as read, shape (n,).

    Returns:
        Limits in the unit of the values; None where they show no rounding.
    """
    sizes = np.abs(values[values != 0])
    if sizes.size == 0:
        return None
    exponents = np.floor(np.log10(sizes)).astype(int)
    digits = next((k for k in range(1, _MOST_DIGITS + 1) if _written(sizes, exponents + 1 - k)), 0)
    if not digits:
        return None
    common = int(np.min(exponents)) + 1 - digits
    while _written(sizes, np.array(common + 1)):
        common += 1
    own = np.full(values.shape, common)
    own[values != 0] = np.maximum(common, exponents + 1 - digits)
    return np.asarray(0.5 * 10.0**own)


def _written(sizes: FloatArray, place: np.ndarray[tuple[int, ...], np.dtype[np.int_]]) -> bool:
    """Tell whether every value is a multiple of ten to the power of its place."""
    ratio = sizes / 10.0**place
    whole = np.round(ratio)
    return bool(np.all(whole >= 1) and np.all(np.abs(ratio - whole) < 1e-9 * ratio))
