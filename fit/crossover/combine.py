"""Parts at hand, put together in series and parallel to come near a wished value."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from itertools import combinations
from typing import Literal


@dataclass(frozen=True)
class Combination:
    """Some parts and how they are joined.

    Attributes:
        value: Value of the whole, in the unit of the parts.
        parts: Names of the parts used.
        text: How they are joined: ``a``, ``a + b`` in series, ``a | b`` in parallel.
    """

    value: float
    parts: tuple[str, ...]
    text: str


def nearest_combinations(
    at_hand: Mapping[str, float],
    wished: float,
    kind: Literal["resistor", "capacitor", "inductor"],
    most_parts: int = 3,
    count: int = 5,
) -> list[Combination]:
    """Best combinations of up to three parts, nearest first, fewer parts first among equals.

    Each physical part is used once. Inductors are combined as if they did not couple: keep them
    apart and at right angles.

    Args:
        at_hand: Name of each part to its value.
        wished: Value wished, in the unit of the parts.
        kind: Decides which way values add: resistors and inductors in series, capacitors in
            parallel.
        most_parts: Up to 3.
        count: How many to return.
    """
    found: list[Combination] = []
    for size in range(1, min(most_parts, 3) + 1):
        for names in combinations(at_hand, size):
            found += _joined(names, at_hand, kind)
    found.sort(key=lambda c: (abs(c.value / wished - 1), len(c.parts)))
    return found[:count]


def _joined(names: tuple[str, ...], at_hand: Mapping[str, float], kind: str) -> list[Combination]:
    """All ways to join the named parts, each used once."""
    if len(names) == 1:
        return [Combination(at_hand[names[0]], names, names[0])]
    ways: list[Combination] = []
    for last in reversed(range(len(names))):
        rest = names[:last] + names[last + 1 :]
        for inner in _joined(rest, at_hand, kind):
            single = names[last]
            for in_series in (True, False):
                adds = in_series != (kind == "capacitor")
                a, b = inner.value, at_hand[single]
                value = a + b if adds else a * b / (a + b)
                inside = inner.text if len(rest) == 1 else f"({inner.text})"
                sign = "+" if in_series else "|"
                ways.append(Combination(value, names, f"{inside} {sign} {single}"))
    # Orders of one and the same joint have equal values: keep the first of each.
    distinct: dict[float, Combination] = {}
    for way in ways:
        distinct.setdefault(round(way.value / max(at_hand.values()), 12), way)
    return list(distinct.values())
