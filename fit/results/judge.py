"""Estimates against targets: inside, outside or undecided at the uncertainty reached.

Decision rule (JCGM 106:2012, 8.3; ISO 14253-1:2017): *inside* when the whole 95 % interval lies
within the limits, *outside* when it lies wholly beyond one of them, *undecided* between. The guard
band on each side of each limit is thus the expanded uncertainty, and either decision errs with at
most 2.5 % probability at each limit.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Literal

from fit.driver.elements.quantity import rounded
from fit.results.quantities import QUANTITIES, with_interval
from fit.results.result import Estimate
from fit.results.shares import shares
from meas.errors import UsageError

Word = Literal["inside", "outside", "undecided"]


@dataclass(frozen=True)
class Target:
    """Target of one parameter.

    Attributes:
        target: Value aimed at, in SI base units.
        lower: Lower limit; None where low values never hurt.
        upper: Upper limit; None where high values never hurt.

    Raises:
        UsageError: If the symbol is unknown, a value is not finite, nothing is limited, or the
            target lies beyond its own limits.
    """

    parameter: str
    target: float
    lower: float | None = None
    upper: float | None = None

    def __post_init__(self) -> None:
        """Check the symbol and the order of the values."""
        where = f"target {self.parameter}"
        if self.parameter not in QUANTITIES:
            known = " ".join(QUANTITIES)
            raise UsageError("no parameter has this name", where=where, remedy=f"Known: {known}")
        given = [v for v in (self.target, self.lower, self.upper) if v is not None]
        if not all(math.isfinite(v) for v in given):
            raise UsageError("a value is not finite", where=where, remedy="Give plain numbers")
        if QUANTITIES[self.parameter].unit != "dB" and min(given) <= 0:
            raise UsageError(
                f"{min(given):g} is not positive",
                where=where,
                remedy="Leave out a lower limit that does not matter instead of writing 0",
            )
        if self.lower is None and self.upper is None:
            raise UsageError(
                "no limit is given", where=where, remedy="Give a lower limit, an upper one or both"
            )
        low = -math.inf if self.lower is None else self.lower
        high = math.inf if self.upper is None else self.upper
        if low >= high or not low <= self.target <= high:
            raise UsageError(
                f"the target {self.target:g} does not lie between its limits {low:g} and {high:g}",
                where=where,
                remedy="Order them as lower limit, target, upper limit",
            )


@dataclass(frozen=True)
class Verdict:
    """An estimate judged by a target.

    Attributes:
        verdict: ``inside``, ``outside`` or ``undecided``.
        text: The verdict in words, with numbers and, where undecided, what would decide.
        estimate: Estimate judged; None where the takes do not give it.
    """

    target: Target
    verdict: Word
    text: str
    estimate: Estimate | None = None

    def as_json(self) -> dict[str, str | float | None]:
        """Target, limits and verdict, as a fit is saved with them."""
        return {**vars(self.target), "verdict": self.verdict, "text": self.text}


def judge(
    parameters: Mapping[str, Estimate],
    targets: Iterable[Target],
    sources: Mapping[str, str] | None = None,
) -> tuple[Verdict, ...]:
    """Judge estimates by targets, in the order of the targets.

    >>> fs = Estimate(48.0, "Hz", {"random:noise": 0.5})
    >>> Qts = Estimate(0.43, "1", {"random:noise": 0.01})
    >>> targets = [Target("fs", 50.0, 45.0, 55.0), Target("Qts", 0.40, upper=0.44)]
    >>> [verdict.verdict for verdict in judge({"fs": fs, "Qts": Qts}, targets)]
    ['inside', 'undecided']

    Args:
        parameters: Symbol to estimate, as in `fit.results.result.DriverFit`.
        sources: Error source to its description, as in `fit.results.result.DriverFit`.
    """
    return tuple(verdict(parameters.get(target.parameter), target, sources) for target in targets)


def verdict(
    estimate: Estimate | None, target: Target, sources: Mapping[str, str] | None = None
) -> Verdict:
    """Judge one estimate.

    Args:
        estimate: Estimate; None where the takes do not give the parameter.
    """
    name = QUANTITIES[target.parameter].name
    if estimate is None:
        text = f"{name} {target.parameter} is not known: {_what_it_takes(target.parameter)}"
        return Verdict(target, "undecided", text)
    low, high = estimate.interval_95
    lower = -math.inf if target.lower is None else target.lower
    upper = math.inf if target.upper is None else target.upper
    value = f"{name} {target.parameter} = {with_interval(target.parameter, estimate)}"
    limits = _limits(target)
    word = decide((low, high), lower, upper)
    if word != "undecided":
        return Verdict(target, word, f"{value} lies {word} {limits}", estimate)
    # The probability of conformance (JCGM 106:2012, 7.2).
    inside = estimate.probability_below(upper) - estimate.probability_below(lower)
    text = (
        f"{value} cannot be told from {limits}: inside with {100 * inside:.0f} % probability. "
        f"{_narrower(estimate, sources or {})}"
    )
    return Verdict(target, "undecided", text, estimate)


def decide(interval: tuple[float, float], lower: float, upper: float) -> Word:
    """Apply the decision rule.

    Args:
        interval: 95 % interval of the value.
        lower: Lower limit; minus infinity where low values never hurt.
        upper: Upper limit; infinity where high values never hurt.
    """
    low, high = interval
    if lower <= low and high <= upper:
        return "inside"
    return "outside" if high < lower or low > upper else "undecided"


def _limits(target: Target) -> str:
    quantity = QUANTITIES[target.parameter]
    if target.lower is not None and target.upper is not None:
        low = rounded(target.lower / quantity.scale)
        return f"the limits {low} to {quantity.text(target.upper)}"
    if target.lower is not None:
        return f"the limit of at least {quantity.text(target.lower)}"
    if target.upper is not None:
        return f"the limit of at most {quantity.text(target.upper)}"
    return "no limit"


def _narrower(estimate: Estimate, sources: Mapping[str, str]) -> str:
    """Name the largest error source."""
    found = shares(estimate, sources)
    if not found:
        return ""
    words, share = found[0]
    return f"What limits it most: {words} ({100 * share:.0f} % of the variance)."


def _what_it_takes(symbol: str) -> str:
    match symbol:
        case "Mms" | "Cms" | "Rms" | "Bl":
            return (
                "takes in free air alone cannot give it. Add a take with a known mass on the "
                "cone, or one in a test box with the diameter, or weigh the moving parts."
            )
        case "Vas" | "eta0" | "sensitivity_1w" | "sensitivity_2v83":
            return (
                "it needs a take in a test box, or one with an added mass together with the "
                "diameter of the cone."
            )
        case "Sd":
            return "give the diameter of the cone."
        case "Sd_from_takes":
            return "it needs a take with an added mass and one in a test box."
        case "Le":
            return "the curve does not reach the frequency at which it is stated."
        case _:
            return "the band measured does not reach it."
