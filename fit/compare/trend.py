"""How a quantity runs out over hours of use, and whether it has come to rest."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np

from fit.compare.repeatability import assumed_effects
from fit.results.error_sources import RANDOM, part_of, variance
from fit.results.quantities import QUANTITIES
from fit.results.result import Z95, DriverFit
from meas.curve import FloatArray

_CHI2_1 = 3.841459  # 95 % of chi-square with one degree of freedom
_TIMES = 400
FEWEST = 4
"""States from which an end can be told: level, size and pace are three unknowns."""


@dataclass(frozen=True)
class Point:
    """One state of a series.

    Attributes:
        name: Of the state.
        hours: Of use until then; None where nobody said.
        value: In the quantity's unit.
        low: Lower end of its 95 % interval beside the other states: what they share is left out.
        high: Upper end.
    """

    name: str
    hours: float | None
    value: float
    low: float
    high: float


@dataclass(frozen=True)
class Trend:
    """A series and where it leads.

    Attributes:
        parameter: Symbol.
        points: In order.
        verdict: Whether it has come to rest; ``unknown`` where the series cannot tell.
        text: The same in words.
        limit: Value at which it comes to rest, in its unit; None where not told.
        limit_95: 95 % interval of that.
        hours_constant: Time constant [h].
        hours_left: How long until the rest to come is below the margin [h].
    """

    parameter: str
    points: tuple[Point, ...]
    verdict: Literal["yes", "no", "undecided", "unknown"]
    text: str
    limit: float | None = None
    limit_95: tuple[float, float] | None = None
    hours_constant: float | None = None
    hours_left: float | None = None

    def as_json(self) -> dict[str, Any]:
        """Ready for ``json.dumps``; what is not known is absent."""
        told: dict[str, Any] = {
            "parameter": self.parameter,
            "verdict": self.verdict,
            "points": [
                {"name": p.name, "hours": p.hours, "value": p.value, "interval_95": [p.low, p.high]}
                for p in self.points
            ],
        }
        if self.limit is not None and self.limit_95 is not None:
            told |= {
                "limit": self.limit,
                "limit_95": list(self.limit_95),
                "hours_constant": self.hours_constant,
                "hours_left": self.hours_left,
            }
        return told


def trend(
    parameter: str,
    states: Sequence[tuple[str, DriverFit]],
    hours: Sequence[float] | None,
    margin: float,
) -> Trend:
    """A quantity over a series of states of one driver, and its end by an exponential.

    ln value = a + b exp(-t/T), least squares in a and b for every T; T within its 95 % profile
    (chi-square within 3.84 of its least) gives the reach of the end a. That the rest of a break-in
    dies exponentially is common practice, no source; a series that contradicts it is told so.

    Args:
        parameter: A positive quantity that all states have.
        states: Names and fits in the order of time, at least two.
        hours: Of use until each state, increasing; None: not known.
        margin: Relative change that does not matter.

    Raises:
        KeyError: If a state lacks the quantity.
    """
    estimates = [fit.parameters[parameter] for _, fit in states]
    values = np.log([e.value for e in estimates])
    spread = np.array([_own(parameter, fit) for _, fit in states])
    reach = np.exp(Z95 * spread)
    times = hours if hours is not None else [None] * len(states)
    points = tuple(
        Point(name, t, e.value, e.value / float(r), e.value * float(r))
        for (name, _), t, e, r in zip(states, times, estimates, reach, strict=True)
    )
    if hours is None:
        return Trend(parameter, points, "unknown", "")
    if len(states) < FEWEST:
        return Trend(
            parameter, points, "unknown",
            f"Where it will end cannot be told from {len(states)} states: from {FEWEST} on.",
        )  # fmt: skip
    return _ended(parameter, points, np.asarray(hours, float), values, spread, margin)


def _own(parameter: str, fit: DriverFit) -> float:
    """Standard uncertainty of the logarithm beside states that share the named sources."""
    estimate = fit.parameters[parameter]
    clamped = math.sqrt(variance(assumed_effects(fit, {parameter: 1.0})))
    seen = estimate.widening * part_of(estimate.logarithmic_effects, RANDOM)
    return math.hypot(clamped, seen) or 1e-9


def _ended(
    parameter: str,
    points: tuple[Point, ...],
    t: FloatArray,
    values: FloatArray,
    spread: FloatArray,
    margin: float,
) -> Trend:
    quantity = QUANTITIES[parameter]
    name = f"{quantity.name} {parameter}"
    t = t - t[0]
    flat = float(np.sum(((values - np.average(values, weights=spread**-2)) / spread) ** 2))
    if flat < _chi2(len(t) - 1, 1.644854):
        sure = Z95 * math.hypot(spread[-1], spread[-2]) <= math.log1p(margin)
        seen = (
            f", which is less than {100 * margin:g} %."
            if sure
            else f"; that hides changes of more than {100 * margin:g} %, though. Two or more "
            "free-air takes of each state show more."
        )
        return Trend(
            parameter, points, "yes" if sure else "undecided",
            f"No trend: {name} stayed at one value over {t[-1]:g} h, within what clamping anew "
            f"does{seen}",
        )  # fmt: skip
    constants = np.geomspace(t[-1] / 50, t[-1] * 10, _TIMES)
    fits = [_line(t, values, spread, T) for T in constants]
    chi2 = np.array([fit[3] for fit in fits])
    best = int(np.argmin(chi2))
    if chi2[best] > _chi2(len(t) - 3, 3.090232):
        return Trend(
            parameter, points, "unknown",
            f"Where {name} will end cannot be told: the states do not lie on a curve that dies "
            "away. Were they all measured alike, and the hours right?",
        )  # fmt: skip
    likely = np.flatnonzero(chi2 <= chi2[best] + _CHI2_1)
    if likely[-1] == _TIMES - 1:
        return Trend(
            parameter, points, "no",
            f"Not settled: {name} still moves so evenly that its end cannot be told. Go on, and "
            "measure again.",
        )  # fmt: skip
    # Profile of the end: chi-square at its best in everything else, within 3.84 of the least.
    spare = np.sqrt(np.maximum(chi2[best] + _CHI2_1 - chi2[likely], 0.0))
    low = min(fits[k][0] - s * fits[k][2] for k, s in zip(likely, spare, strict=True))
    high = max(fits[k][0] + s * fits[k][2] for k, s in zip(likely, spare, strict=True))
    end, size, T = fits[best][0], fits[best][1], float(constants[best])
    rest = end - (end + size * math.exp(-t[-1] / T))  # of the smooth curve, not of one take
    # The last state lies where the curve lies; its end is as uncertain as the limit.
    rests = (rest + low - end, rest + high - end)
    limit = math.log1p(margin)
    left = max(0.0, T * math.log(abs(size) * math.exp(-t[-1] / T) / limit)) if size else 0.0
    ends = f"{quantity.text(math.exp(end))} (95 %: {quantity.text(math.exp(low))} to "
    ends += f"{quantity.text(math.exp(high))})"
    still = abs(rest) < 0.0005
    towards = "where it is now" if still else f"{100 * math.expm1(rest):+.1f} % from here"
    towards += f", time constant {T:.2g} h"
    if -limit <= rests[0] and rests[1] <= limit:
        word: Literal["yes", "no", "undecided"] = "yes"
        text = f"Settled within {100 * margin:g} %: {name} tends to {ends}, {towards}."
    elif rests[0] > limit or rests[1] < -limit:
        word = "no"
        text = (
            f"Not settled: {name} tends to {ends}, {towards}. Within {100 * margin:g} % of it "
            f"after about {left:.2g} h more."
        )
    else:
        word = "undecided"
        text = (
            f"Cannot tell whether it has settled within {100 * margin:g} %: {name} tends to "
            f"{ends}, {towards}. Another state after {t[-1]:g} h more would tell."
        )
    return Trend(
        parameter, points, word, text, math.exp(end), (math.exp(low), math.exp(high)), T, left
    )


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
