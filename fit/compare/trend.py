"""A quantity over hours of use: where it tends to, and whether it has settled."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np

from fit.compare.decay import Decay, NoEnd, decay, is_flat
from fit.compare.repeatability import assumed_effects
from fit.driver.elements.quantity import Quantity
from fit.results.error_sources import RANDOM, part_of, variance
from fit.results.quantities import QUANTITIES
from fit.results.result import Z95, DriverFit
from meas.curve import FloatArray

Verdict = Literal["yes", "no", "undecided", "unknown"]

_ENDLESS: Mapping[NoEnd, tuple[Verdict, str]] = {
    "even": (
        "no",
        "Not settled: {} still moves so evenly that its end cannot be told. Go on, and measure "
        "again.",
    ),
    "no-curve": (
        "unknown",
        "Where {} will end cannot be told: the states do not lie on a curve that dies away. Were "
        "they all measured alike, and the hours right?",
    ),
}
FEWEST = 4
"""States from which an end follows: level, size and pace are three unknowns."""


@dataclass(frozen=True)
class Point:
    """One state of a series.

    Attributes:
        hours: Hours of use until then; None where not stated.
        value: Value in the quantity's unit.
        low: Lower end of its 95 % interval beside the other states: what they share is left out.
    """

    name: str
    hours: float | None
    value: float
    low: float
    high: float


@dataclass(frozen=True)
class Trend:
    """A series of states and where it tends to.

    Attributes:
        verdict: Whether it has settled; ``unknown`` where the series does not show it.
        limit: Value that it tends to, in its unit; None where not known.
        hours_constant: Time constant [h].
        hours_left: Time until the rest of the change is below the margin [h].
    """

    parameter: str
    points: tuple[Point, ...]
    verdict: Verdict
    text: str
    limit: float | None = None
    limit_95: tuple[float, float] | None = None
    hours_constant: float | None = None
    hours_left: float | None = None

    def as_json(self) -> dict[str, Any]:
        """Ready for ``json.dumps``; what is not known is absent."""
        document: dict[str, Any] = {
            "parameter": self.parameter,
            "verdict": self.verdict,
            "points": [
                {"name": p.name, "hours": p.hours, "value": p.value, "interval_95": [p.low, p.high]}
                for p in self.points
            ],
        }
        if self.limit is not None and self.limit_95 is not None:
            document |= {
                "limit": self.limit,
                "limit_95": list(self.limit_95),
                "hours_constant": self.hours_constant,
                "hours_left": self.hours_left,
            }
        return document


def trend(
    parameter: str,
    states: Sequence[tuple[str, DriverFit]],
    hours: Sequence[float] | None,
    margin: float,
) -> Trend:
    """Follow a quantity over a series of states of one driver to its end, by an exponential.

    ln value = a + b exp(-t/T), least squares in a and b for every T; T within its 95 % profile
    (chi-square within 3.84 of its least) gives the reach of the end a. That the rest of a break-in
    dies away exponentially is common practice, no source; a series that contradicts it gets no
    end.

    Args:
        states: Names and fits in the order of time, at least two.
        hours: Hours of use until each state, increasing; None where not known.
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
    t = np.asarray(hours, float) - hours[0]
    name = f"{QUANTITIES[parameter].name} {parameter}"
    if is_flat(values, spread):
        return Trend(parameter, points, *_no_trend(name, t, spread, margin))
    found = decay(t, values, spread)
    if not isinstance(found, Decay):
        verdict, text = _ENDLESS[found]
        return Trend(parameter, points, verdict, text.format(name))
    return Trend(
        parameter,
        points,
        *_judged(found, name, QUANTITIES[parameter], margin),
        limit=math.exp(found.end),
        limit_95=(math.exp(found.low), math.exp(found.high)),
        hours_constant=found.T,
        hours_left=found.hours_left(margin),
    )


def _own(parameter: str, fit: DriverFit) -> float:
    """Standard uncertainty of the logarithm beside states that share the named sources."""
    estimate = fit.parameters[parameter]
    clamped = math.sqrt(variance(assumed_effects(fit, {parameter: 1.0})))
    seen = estimate.widening * part_of(estimate.logarithmic_effects, RANDOM)
    return math.hypot(clamped, seen) or 1e-9


def _no_trend(name: str, t: FloatArray, spread: FloatArray, margin: float) -> tuple[Verdict, str]:
    text = f"No trend: {name} stayed at one value over {t[-1]:g} h, within what clamping anew does"
    if Z95 * math.hypot(spread[-1], spread[-2]) <= math.log1p(margin):
        return "yes", f"{text}, which is less than {100 * margin:g} %."
    return "undecided", (
        f"{text}; that hides changes of more than {100 * margin:g} %, though. Two or more free-air "
        "takes of each state show more."
    )


def _judged(found: Decay, name: str, quantity: Quantity, margin: float) -> tuple[Verdict, str]:
    """Judge whether the rest of the change lies within the margin.

    The last state counts as lying on the curve, so that the rest is as uncertain as the end.
    """
    rest = -found.gone
    least, most = (rest + end - found.end for end in (found.low, found.high))
    limit = math.log1p(margin)
    end, low, high = (quantity.text(math.exp(x)) for x in (found.end, found.low, found.high))
    still = abs(rest) < 0.0005
    towards = "where it is now" if still else f"{100 * math.expm1(rest):+.1f} % from here"
    tends = f"{name} tends to {end} (95 %: {low} to {high}), {towards}"
    tends += f", time constant {found.T:.2g} h"
    if -limit <= least and most <= limit:
        return "yes", f"Settled within {100 * margin:g} %: {tends}."
    if least > limit or most < -limit:
        return "no", (
            f"Not settled: {tends}. Within {100 * margin:g} % of it after about "
            f"{found.hours_left(margin):.2g} h more."
        )
    return "undecided", (
        f"Cannot tell whether it has settled within {100 * margin:g} %: {tends}. "
        f"Another state after {found.hours:g} h more would tell."
    )
