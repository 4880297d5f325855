"""An exponential through the states of a series, and how well they tell where it ends."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np

from meas.curve import FloatArray

NoEnd = Literal["no-curve", "even"]
"""Why there is no end: the states lie on no such curve, or run so evenly that any end will do."""

_CHI2_1 = 3.841459  # 95 % of chi-square with one degree of freedom
_TIMES = 400


@dataclass(frozen=True)
class Decay:
    """An exponential through the states, ln value = end + size exp(-t/T).

    Attributes:
        low: Lower end of its 95 % interval.
        size: What the first state lacks of it.
        T: Time constant [h].
        hours: Time from the first state to the last [h].
    """

    end: float
    low: float
    high: float
    size: float
    T: float
    hours: float

    @property
    def gone(self) -> float:
        """The curve at the last state, less its end."""
        return self.size * math.exp(-self.hours / self.T)

    def hours_left(self, margin: float) -> float:
        """Hours from the last state until the rest to come is below the margin."""
        if not self.size:
            return 0.0
        return max(0.0, self.T * math.log(abs(self.gone) / math.log1p(margin)))


def is_flat(values: FloatArray, spread: FloatArray) -> bool:
    """Tell whether chance scatters one value as much as the states do, in over 5 % of series."""
    departures = (values - np.average(values, weights=spread**-2)) / spread
    return bool(np.sum(departures**2) < _chi2(len(values) - 1, 1.644854))


def decay(t: FloatArray, values: FloatArray, spread: FloatArray) -> Decay | NoEnd:
    """Fit the exponential by least squares and follow the profile of its end.

    Args:
        t: Hours from the first state, increasing, shape (n,), n at least 4.
        values: Logarithms, shape (n,).
        spread: Their standard uncertainties, shape (n,).
    """
    constants = np.geomspace(t[-1] / 50, t[-1] * 10, _TIMES)
    fits = [_line(t, values, spread, T) for T in constants]
    chi2 = np.array([fit[3] for fit in fits])
    best = int(np.argmin(chi2))
    if chi2[best] > _chi2(len(t) - 3, 3.090232):
        return "no-curve"
    likely = np.flatnonzero(chi2 <= chi2[best] + _CHI2_1)
    if likely[-1] == _TIMES - 1:
        return "even"
    # Profile of the end: chi-square at its best in everything else, within 3.84 of the least.
    spare = np.sqrt(np.maximum(chi2[best] + _CHI2_1 - chi2[likely], 0.0))
    low = min(fits[k][0] - s * fits[k][2] for k, s in zip(likely, spare, strict=True))
    high = max(fits[k][0] + s * fits[k][2] for k, s in zip(likely, spare, strict=True))
    return Decay(fits[best][0], low, high, fits[best][1], float(constants[best]), float(t[-1]))


def _line(
    t: FloatArray, values: FloatArray, spread: FloatArray, T: float
) -> tuple[float, float, float, float]:
    """End, size, standard uncertainty of the end, and chi-square at one time constant."""
    design = np.column_stack([np.ones(t.size), np.exp(-t / T)]) / spread[:, None]
    normal = design.T @ design
    C = np.linalg.pinv(normal)
    a, b = C @ design.T @ (values / spread)
    left = values / spread - design @ np.array([a, b])
    return float(a), float(b), math.sqrt(C[0, 0]), float(left @ left)


def _chi2(freedom: int, deviate: float) -> float:
    """Point of chi-square at a normal deviate: 1.645 is 95 %, 3.09 is 99.9 %.

    E. B. Wilson, M. M. Hilferty, Proc. Natl. Acad. Sci. 17, 1931.
    """
    k = 2 / (9 * freedom)
    return float(freedom * (1 - k + deviate * math.sqrt(k)) ** 3)
