"""Parts at hand, put together in series and parallel to come near a wished value."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from itertools import combinations
from typing import TYPE_CHECKING

import numpy as np

from meas.curve import FloatArray

if TYPE_CHECKING:
    from fit.parts.part_fit import PartKind

# Order in which parts are joined, and the joints between them: + in series, | in parallel. Three
# parts all in series, or all in parallel, are the same in any order.
_WAYS: Mapping[int, tuple[tuple[tuple[int, ...], str], ...]] = {
    1: (((0,), ""),),
    2: (((0, 1), "+"), ((0, 1), "|")),
    3: (
        *(((0, 1, 2), joints) for joints in ("++", "+|", "|+", "||")),
        *((order, joints) for order in ((0, 2, 1), (1, 2, 0)) for joints in ("+|", "|+")),
    ),
}


@dataclass(frozen=True)
class Combination:
    """Some parts and how they are joined.

    Attributes:
        value: Value of the whole, in the unit of the parts.
        text: How they are joined: ``a``, ``a + b`` in series, ``a | b`` in parallel.
    """

    value: float
    parts: tuple[str, ...]
    text: str


def nearest_combinations(
    at_hand: Mapping[str, float],
    wished: float,
    kind: PartKind,
    most_parts: int = 3,
    count: int = 5,
) -> list[Combination]:
    """Find the best combinations, nearest first, fewer parts first among equals.

    Each physical part is used once. Inductors are combined as if they did not couple: keep them
    apart and at right angles.

    Args:
        at_hand: Name of each part to its value.
        wished: Value wished, in the unit of the parts.
        kind: Decides which way values add: resistors and inductors in series, capacitors in
            parallel.
        most_parts: Up to 3.
    """
    found: list[Combination] = []
    for size in range(1, min(most_parts, len(at_hand), 3) + 1):
        found += _nearest(at_hand, wished, "|" if kind == "capacitor" else "+", size, count)
    found.sort(key=lambda c: (abs(c.value / wished - 1), len(c.parts)))
    return found[:count]


def _nearest(
    at_hand: Mapping[str, float], wished: float, adds: str, size: int, count: int
) -> Iterator[Combination]:
    """Best combinations of exactly so many parts, nearest first."""
    names = list(at_hand)
    parts = np.array(list(combinations(range(len(names)), size)))
    values = np.array(list(at_hand.values()))[parts]
    joined = np.column_stack([_value(values, *way, adds) for way in _WAYS[size]])
    off = np.abs(joined / wished - 1).ravel()
    # Of equal parts several ways have one value: at most all ways of each set of parts.
    enough = min(off.size, count * len(_WAYS[size]))
    nearest = np.sort(np.argpartition(off, enough - 1)[:enough])
    seen: set[tuple[int, float]] = set()
    for at in nearest[np.argsort(off[nearest], kind="stable")]:
        row, way = divmod(int(at), len(_WAYS[size]))
        key = (row, round(float(joined[row, way]) / max(at_hand.values()), 12))
        if key not in seen and len(seen) < count:
            seen.add(key)
            used = [names[index] for index in parts[row]]
            yield Combination(float(joined[row, way]), tuple(used), _text(used, *_WAYS[size][way]))


def _value(values: FloatArray, order: tuple[int, ...], joints: str, adds: str) -> FloatArray:
    """Values of rows of parts, joined one after the other, shape (n, parts) to (n,)."""
    whole = values[:, order[0]]
    for index, joint in zip(order[1:], joints, strict=True):
        one = values[:, index]
        whole = whole + one if joint == adds else whole * one / (whole + one)
    return whole


def _text(names: list[str], order: tuple[int, ...], joints: str) -> str:
    text = names[order[0]]
    for index, joint in zip(order[1:], joints, strict=True):
        inside = f"({text})" if " " in text and index != order[1] else text
        text = f"{inside} {joint} {names[index]}"
    return text
