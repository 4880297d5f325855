"""Trend of a quantity with time, by the order of its values and the median of slopes."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from meas.curve import FloatArray

FEWEST = 6
"""Fewest values whose order can be significant at 1 %."""

UNLIKELY = 0.01
"""Many quantities are looked at side by side: at 5 % one in twenty would cry wolf."""

_MOST = 400  # pairs grow with the square


@dataclass(frozen=True)
class Slope:
    """A slope per unit of time.

    Attributes:
        middle: Median of the slopes between all pairs (P. K. Sen, J. Am. Stat. Assoc. 63, 1968).
        low: Lower end of its 95 % interval.
        probability: Probability that chance puts the values in such an order, two-sided (H. B.
            Mann, Econometrica 13(3), 1945).
    """

    middle: float
    low: float
    high: float
    probability: float

    @property
    def significant(self) -> bool:
        """Tell whether chance is less likely than `UNLIKELY`."""
        return self.probability < UNLIKELY


def slope(times: FloatArray, values: FloatArray) -> Slope | None:
    """Find the median slope of values over times; None where too few or all at one time.

    Args:
        times: Any order, shape (n,).
        values: Shape (n,). Of more than 400, medians of neighbours in time take their place.
    """
    order = np.argsort(times, kind="stable")
    t, y = _thinned(times[order]), _thinned(values[order])
    if t.size < FEWEST or t[0] == t[-1]:
        return None
    if np.ptp(y) == 0.0:
        return Slope(0.0, 0.0, 0.0, 1.0)
    from scipy.stats import kendalltau, theilslopes

    found = theilslopes(y, t, 0.95)
    probability = float(kendalltau(t, y).pvalue)
    return Slope(float(found[0]), float(found[2]), float(found[3]), probability)


def _thinned(values: FloatArray) -> FloatArray:
    if values.size <= _MOST:
        return values
    return np.array([float(np.median(part)) for part in np.array_split(values, _MOST // 2)])
