"""Outliers among any number of values."""

from __future__ import annotations

import math

import numpy as np

from fit.numerics.robust import centre_and_spread, outlier_limit
from meas.curve import FloatArray

FEWEST = 5
"""Fewest values among which one can be an outlier: four may be two pairs."""

UNLIKELY = 0.01
"""Probability that anything is called an outlier where nothing is."""

_SIMULATED = 200  # beyond, limits from simulation and from the normal distribution agree to 2 %


def deviations(values: FloatArray, own: FloatArray) -> FloatArray:
    """Distance of each value from the centre of all, over the limit of what is still usual.

    The limit is what the farthest of so many normal values exceeds with probability `UNLIKELY`:
    by `fit.numerics.robust.outlier_limit`, for many values by C. E. Bonferroni's inequality.

    Args:
        values: Logarithms of positive quantities, shape (n,).
        own: Standard uncertainty of each beside the others, same unit: units closer together than
            they can be measured are not taken apart by the measurement; shape (n,).

    Returns:
        Signed, shape (n,); beyond one in size stands apart. Zero where fewer than `FEWEST`.
    """
    n = values.size
    if n < FEWEST:
        return np.zeros(n)
    centre, spread = (float(part) for part in centre_and_spread(values))
    measuring = math.sqrt(float(np.mean(own**2)))
    far: FloatArray = (values - centre) / (_limit(n) * max(spread, measuring, 1e-12))
    return far


def _limit(n: int) -> float:
    if n <= _SIMULATED:
        return outlier_limit(n, UNLIKELY)
    from scipy.special import ndtri

    return float(-ndtri(UNLIKELY / (2 * n)))
