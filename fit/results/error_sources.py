"""Error sources: what each does to a value, what two values share, and how effects add up.

An effect is what plus one standard uncertainty of a source does to a value, with its sign. Sources
are independent, so that their effects add in squares; the effects of one source on several values
add with their signs (JCGM 102:2011, 6.2.1.3). What two values share thus cancels in a difference by
itself, as long as a source has one name in both, and what only looks alike has two. Effects are
numbers, or arrays over frequency.
"""

from __future__ import annotations

import math
from collections.abc import Collection, Iterable, Mapping
from typing import Any, Literal, TypeVar

from meas.curve import FloatArray

Effect = TypeVar("Effect", float, FloatArray)

RANDOM = "random:"
"""How the sources begin that no other fit can have: noise, misfit, repeatability of its takes."""
NOISE, MODEL = f"{RANDOM}noise", f"{RANDOM}model"
REPEATED, DRIFTED = f"{RANDOM}repeatability", f"{RANDOM}drift"
"""Departures of free-air takes from their mean, and of takes with a mass or a box from free air."""
ASSUMED = "assumed:"
"""How the sources begin that no other fit can have and whose size is common practice: there are no
few repetitions behind them that would widen an interval."""
HELD = "held:"
"""How the sources begin that stand for the motion of a frame: the same for one unit held alike."""
WEATHER = frozenset({"air-temperature", "air-pressure", "air-humidity"})
"""Errors of one sitting: all fits name them alike, but the next sitting has another room."""

Scope = Literal["fit", "sitting", "bench"]
"""What two values have in common: one fit, with all its errors; one sitting, with its air; or only
the bench, as over months."""


def is_own(source: str, scope: Scope = "bench") -> bool:
    """Tell whether a source is one fit's alone, though another may have one of the same name."""
    if scope == "fit":
        return False
    return source.startswith((RANDOM, ASSUMED)) or (scope == "bench" and source in WEATHER)


def named_apart(effects: Mapping[str, Any], suffix: str) -> dict[str, Any]:
    """Rename sources that are random in one fit, so that no other fit has their names.

    What is random in two fits is not the same error, whatever it is called in each.
    """
    return {
        f"{source}{suffix}" if source.startswith(RANDOM) else source: effect
        for source, effect in effects.items()
    }


def shared_sources(
    first: Collection[str], *others: Collection[str], scope: Scope = "bench"
) -> list[str]:
    """Sources that all name and none has alone, in the order of the first."""
    return [s for s in first if not is_own(s, scope) and all(s in other for other in others)]


def combine(terms: Iterable[tuple[Effect, Mapping[str, float]]]) -> dict[str, Effect]:
    """Effects on a weighted sum, such as a product of powers in the logarithm.

    Args:
        terms: Weight, a number or an array over frequency, and effects on what it weighs.
    """
    total: dict[str, Effect] = {}
    for weight, effects in terms:
        for source, effect in effects.items():
            part = weight * effect
            total[source] = total[source] + part if source in total else part
    return total


def along(gradient: FloatArray, effects: Mapping[str, FloatArray]) -> dict[str, float]:
    """Effects on a quantity of some parameters; sources that leave it alone are left out.

    Args:
        gradient: Derivatives of the quantity by the parameters, shape (p,).
        effects: Effects on the parameters, each of shape (p,).
    """
    found = {source: float(gradient @ effect) for source, effect in effects.items()}
    return {source: part for source, part in found.items() if part != 0.0}


def variance(effects: Mapping[str, Effect]) -> Effect:
    """Sum of the squares of all effects."""
    nothing: Any = 0.0
    total: Effect = sum((effect * effect for effect in effects.values()), nothing)
    return total


def part_of(effects: Mapping[str, float], *prefixes: str) -> float:
    """Standard uncertainty by the sources whose names begin with one of the prefixes."""
    return math.sqrt(variance({s: e for s, e in effects.items() if s.startswith(prefixes)}))


def difference(
    before: Mapping[str, Effect],
    after: Mapping[str, Effect],
    *,
    scope: Scope = "bench",
    widening: tuple[float, float] = (1.0, 1.0),
) -> dict[str, Effect]:
    """Effects on ``after - before``: what both share enters once, all else from either side.

    Args:
        before: Effects on the one.
        after: Effects on the other.
        widening: Factors of the two on what they do not share, for few repetitions; what is
            `ASSUMED` stays as it is.
    """
    shared = shared_sources(before, after, scope=scope)
    found = {source: after[source] - before[source] for source in shared}
    for effects, sign, side, wider in (
        (before, -1.0, "before", widening[0]),
        (after, 1.0, "after", widening[1]),
    ):
        for source, effect in effects.items():
            if source not in shared:
                factor = 1.0 if source.startswith(ASSUMED) else wider
                found[f"{source}@{side}"] = sign * factor * effect
    return found
