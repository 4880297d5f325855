"""A series in numbers: centre, spread and what it is made of, units unlike the rest, drift."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from fit.numerics.robust import (
    Share,
    centre_and_spread,
    chance_so_far,
    share_outside,
    spread_interval,
)
from fit.numerics.slope import Slope, slope
from fit.results.result import DriverFit, Estimate, from_logarithm, logarithm
from fit.series.limits import mixed_models
from fit.series.values import NAMES, apart, common, quantities
from meas.curve import FloatArray
from meas.errors import Refused

FEWEST = 3
"""Units from which there is a spread at all."""
UNLIKELY = 0.002
"""Probability of a drift in a clean series; for each quantity. There are about five that do not
follow from each other: 1 % in all."""
UNLIKE = 0.01
"""Probability of an outlier in a clean series, for each quantity: 5 % in all. Of nine units that
scatter by 2.5 % it finds one that is 17 % off in 3 of 4 series; `UNLIKELY` would in 2 of 5."""


@dataclass(frozen=True)
class Outlier:
    """A unit unlike the rest.

    Attributes:
        value: Value of the quantity, in its unit.
        deviation: Deviation from the centre, in the logarithm.
        chance: Probability that the farthest unit of a clean series lies so far out.
    """

    name: str
    value: float
    deviation: float
    chance: float


@dataclass(frozen=True)
class Beyond:
    """Units and population beyond the limits of one quantity.

    Attributes:
        counted: Units whose value lies beyond.
        counted_share: Their share, with C. J. Clopper and E. S. Pearson's interval (Biometrika
            26(4), 1934).
        expected: Share of a normal population with this centre and spread.
    """

    lower: float | None
    upper: float | None
    counted: int
    counted_share: Share
    expected: Share


@dataclass(frozen=True)
class Statistics:
    """One quantity over the series.

    Attributes:
        unit: SI base unit, or ``dB``.
        n: Number of units that have it.
        centre: Robust mean, in the unit.
        spread: Robust standard deviation, in the logarithm.
        spread_95: 95 % interval of the population's standard deviation.
        measuring: Standard uncertainty of one unit beside the others, in the logarithm.
        measuring_share: Share of that in the variance of the series, at most 1.
        farthest: The unit farthest from the centre, like the rest or not.
        drift: Slope of the logarithm from unit to unit; None where they are too few.
        beyond: Units beyond the limits; None where none were given.
    """

    parameter: str
    unit: str
    n: int
    centre: float
    median: float
    lowest: float
    highest: float
    spread: float
    spread_95: tuple[float, float]
    measuring: float
    measuring_share: float
    farthest: Outlier
    outliers: tuple[Outlier, ...]
    drift: Slope | None
    beyond: Beyond | None

    @property
    def drifts(self) -> bool:
        """Whether chance makes such an order less often than `UNLIKELY`."""
        return self.drift is not None and self.drift.probability < UNLIKELY

    @property
    def units_apart(self) -> float:
        """Spread of the units themselves, without that of measuring them, in the logarithm."""
        return self.spread * math.sqrt(1 - self.measuring_share)


Bounds = Mapping[str, tuple[float | None, float | None]]


def summarise(
    units: Sequence[tuple[str, DriverFit]], bounds: Bounds | None = None
) -> tuple[Statistics, ...]:
    """Statistics of every reported quantity that at least `FEWEST` units have.

    Args:
        units: Name and fit of each unit, in the order of time.

    Raises:
        Refused: ``too-few-units`` or ``mixed-models``.
    """
    if len(units) < FEWEST:
        raise Refused.because(
            "too-few-units",
            f"{len(units)} units are no series: from {FEWEST} on there is a spread to speak of",
        )
    models = sorted({fit.model for _, fit in units})
    if len(models) > 1:
        raise Refused([mixed_models(models)])
    known = [quantities(fit) for _, fit in units]
    found = []
    for symbol in NAMES:
        own = [(unit, k[symbol]) for unit, k in zip(units, known, strict=True) if symbol in k]
        if len(own) < FEWEST or len({e.frequency_hz for _, e in own}) > 1:
            continue
        found.append(_statistics(symbol, own, (bounds or {}).get(symbol)))
    return tuple(found)


def _statistics(
    symbol: str,
    own: Sequence[tuple[tuple[str, DriverFit], Estimate]],
    bounds: tuple[float | None, float | None] | None,
) -> Statistics:
    estimates = [estimate for _, estimate in own]
    unit = estimates[0].unit
    shared = common(estimates)
    values = np.array([e.logarithm for e in estimates])
    centre, spread = (float(v) for v in centre_and_spread(values))
    variance = [
        math.hypot(*apart(symbol, estimate, fit, shared).values()) ** 2
        for (_, fit), estimate in own
    ]
    measuring = math.sqrt(sum(variance) / len(variance))
    n = len(values)
    size = max(spread, measuring, 1e-12)
    placed = [
        Outlier(name, e.value, float(value - centre), chance_so_far(n, abs(value - centre) / size))
        for ((name, _), e), value in zip(own, values, strict=True)
    ]
    return Statistics(
        parameter=symbol,
        unit=unit,
        n=n,
        centre=from_logarithm(centre, unit),
        median=float(np.median([e.value for e in estimates])),
        lowest=min(e.value for e in estimates),
        highest=max(e.value for e in estimates),
        spread=spread,
        spread_95=spread_interval(n, spread),
        measuring=measuring,
        measuring_share=min(1.0, (measuring / spread) ** 2) if spread > 0 else 1.0,
        farthest=max(placed, key=lambda one: abs(one.deviation)),
        outliers=tuple(one for one in placed if one.chance < UNLIKE),
        drift=slope(np.arange(n, dtype=np.float64), values),
        beyond=None if bounds is None else _beyond(values, centre, spread, unit, bounds),
    )


def _beyond(
    values: FloatArray,
    centre: float,
    spread: float,
    unit: str,
    bounds: tuple[float | None, float | None],
) -> Beyond:
    from scipy.stats import binomtest

    low, high = (None if bound is None else logarithm(bound, unit) for bound in bounds)
    outside = np.zeros(values.size, dtype=bool)
    if low is not None:
        outside |= values < low
    if high is not None:
        outside |= values > high
    counted = int(np.sum(outside))
    interval = binomtest(counted, values.size).proportion_ci(0.95, method="exact")
    share = Share(counted / values.size, float(interval.low), float(interval.high))
    expected = share_outside(values.size, centre, max(spread, 1e-12), low, high)
    return Beyond(*bounds, counted, share, expected)
