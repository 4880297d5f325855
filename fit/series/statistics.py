"""A series in numbers: centre, spread and what it is made of, units unlike the rest, drift."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from fit.numerics.robust import Share, chance_so_far, share_outside, spread_interval
from fit.numerics.slope import Slope, slope
from fit.results.result import from_logarithm, logarithm
from fit.series.values import NAMES, Sample, Unit, one_model, quantities, sample
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
        """Tell whether chance makes such an order less often than `UNLIKELY`."""
        return self.drift is not None and self.drift.probability < UNLIKELY

    @property
    def units_apart(self) -> float:
        """Spread of the units themselves, without that of measuring them, in the logarithm."""
        return self.spread * math.sqrt(1 - self.measuring_share)


Bounds = tuple[float | None, float | None]
"""Lower and upper limit; None where there is none."""


def summarise(
    units: Sequence[Unit], bounds: Mapping[str, Bounds] | None = None
) -> tuple[Statistics, ...]:
    """Describe every reported quantity that at least `FEWEST` units have.

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
    one_model(sorted(fit.model for _, fit in units))
    known = [quantities(fit) for _, fit in units]
    found = []
    for symbol in NAMES:
        own = [(unit, k[symbol]) for unit, k in zip(units, known, strict=True) if symbol in k]
        if len(own) < FEWEST or len({e.frequency_hz for _, e in own}) > 1:
            continue
        seen = sample(symbol, *zip(*own, strict=True))
        found.append(_statistics(symbol, seen, (bounds or {}).get(symbol)))
    return tuple(found)


def _statistics(symbol: str, seen: Sample, bounds: Bounds | None) -> Statistics:
    reported = [estimate.value for estimate in seen.estimates]
    unit, n = seen.estimates[0].unit, len(reported)
    size = max(seen.spread, seen.measuring, 1e-12)
    placed = [
        Outlier(name, value, float(off), chance_so_far(n, abs(off) / size))
        for (name, _), value, off in zip(
            seen.units, reported, seen.values - seen.centre, strict=True
        )
    ]
    return Statistics(
        parameter=symbol,
        unit=unit,
        n=n,
        centre=from_logarithm(seen.centre, unit),
        median=float(np.median(reported)),
        lowest=min(reported),
        highest=max(reported),
        spread=seen.spread,
        spread_95=spread_interval(n, seen.spread),
        measuring=seen.measuring,
        measuring_share=min(1.0, (seen.measuring / seen.spread) ** 2) if seen.spread > 0 else 1.0,
        farthest=max(placed, key=lambda one: abs(one.deviation)),
        outliers=tuple(one for one in placed if one.chance < UNLIKE),
        drift=slope(np.arange(n, dtype=np.float64), seen.values),
        beyond=None if bounds is None else _beyond(seen, unit, bounds),
    )


def _beyond(seen: Sample, unit: str, bounds: Bounds) -> Beyond:
    from scipy.stats import binomtest

    low, high = (None if bound is None else logarithm(bound, unit) for bound in bounds)
    values = seen.values
    outside = np.zeros(values.size, dtype=bool)
    if low is not None:
        outside |= values < low
    if high is not None:
        outside |= values > high
    counted = int(np.sum(outside))
    interval = binomtest(counted, values.size).proportion_ci(0.95, method="exact")
    share = Share(counted / values.size, float(interval.low), float(interval.high))
    expected = share_outside(values.size, seen.centre, max(seen.spread, 1e-12), low, high)
    return Beyond(*bounds, counted, share, expected)
