"""Pairs made of a stack of units so that the levels within them differ least.

The price of a pair is the square of its largest difference of level (`fit.compare.pair`), so that
one bad pair weighs more than two middling ones. The cheapest matching is found exactly, as an
integer programme: each unit in one pair, but one left over where their number is odd.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np

from fit.compare.pair import Pair, pair
from fit.results.result import Z95, DriverFit
from meas.curve import FloatArray
from meas.errors import Refused

FEWEST = 3
SECONDS = 30.0
"""Time after which the search stops at the best matching so far."""
_FORBIDDEN = 1e9

Edge = tuple[int, int]


@dataclass(frozen=True)
class Alternative:
    """Another matching that is as good as the measurement can tell.

    Attributes:
        instead_of: Pairs of names that it breaks up.
        pairs: Pairs of names that it makes of them.
        left_over: Unit that would stay alone; None where their number is even.
        cost_more: Increase of the root mean square over pairs [dB].
    """

    instead_of: tuple[tuple[str, str], ...]
    pairs: tuple[tuple[str, str], ...]
    left_over: str | None
    cost_more: float


@dataclass(frozen=True)
class Matching:
    """Units in pairs.

    Attributes:
        pairs: The best matched first.
        left_over: Unit without a partner; None where their number is even.
        rms_db: Root mean square over the pairs of their largest difference of level [dB].
        in_order_db: The same for pairs made in the order given [dB].
        alternatives: Matchings that the uncertainty does not tell from this one.
        exact: Whether it is proven to be the best; False when the search ran out of time.
    """

    pairs: tuple[Pair, ...]
    left_over: str | None
    rms_db: float
    in_order_db: float
    alternatives: tuple[Alternative, ...]
    exact: bool


def match(units: Sequence[tuple[str, DriverFit]]) -> Matching:
    """Match units into pairs.

    Raises:
        Refused: ``too-few-units`` below three; ``no-sensitivity`` when a fit cannot tell the level
            of its unit.
    """
    if len(units) < FEWEST:
        raise Refused.because(
            "too-few-units",
            f"{len(units)} units leave nothing to choose: freeair compare tells how two match",
        )
    mute = [name for name, fit in units if "sensitivity_2v83" not in fit.parameters]
    if mute:
        raise Refused.because(
            "no-sensitivity",
            f"the level of {', '.join(mute)} is not known: a pair needs a take with a known mass "
            "(or in a test box) and the diameter of the cone of every unit",
        )
    known: dict[Edge, Pair] = {}
    for i, j in combinations(range(len(units)), 2):
        found = pair((units[i][0], units[j][0]), (units[i][1], units[j][1]))
        if found is None:
            raise AssertionError("fits with a sensitivity have fs and Qts")
        known[i, j] = found
    cost = np.zeros((len(units),) * 2)
    for (i, j), one in known.items():
        cost[i, j] = cost[j, i] = one.worst_db**2
    edges, exact = cheapest(cost)
    chosen = sorted((known[e] for e in edges), key=lambda p: abs(p.worst_db))
    names = [name for name, _ in units]
    return Matching(
        tuple(chosen),
        _alone(names, edges),
        _rms(cost, edges),
        _rms(cost, _in_order(len(units))),
        tuple(_alternatives(names, known, cost, edges)),
        exact,
    )


def _rms(cost: FloatArray, edges: Sequence[Edge]) -> float:
    return math.sqrt(sum(cost[edge] for edge in edges) / len(edges))


def _in_order(n: int) -> tuple[Edge, ...]:
    return tuple((i, i + 1) for i in range(0, n - 1, 2))


def _alone(names: Sequence[str], edges: Sequence[Edge]) -> str | None:
    paired = {index for edge in edges for index in edge}
    return next((name for index, name in enumerate(names) if index not in paired), None)


def cheapest(cost: FloatArray) -> tuple[tuple[Edge, ...], bool]:
    """Find the matching of least total cost; with an odd number the best unit to omit stays alone.

    Args:
        cost: Cost of each pair, symmetric, finite, shape (n, n).

    Returns:
        Pairs of indices, the smaller first; and whether it is proven to be the best.
    """
    from scipy.optimize import LinearConstraint, milp
    from scipy.sparse import csr_array

    n = cost.shape[0]
    edges = list(combinations(range(n), 2))
    rows = np.array([index for edge in edges for index in edge])
    columns = np.repeat(np.arange(len(edges)), 2)
    degree = csr_array((np.ones(rows.size), (rows, columns)), shape=(n, len(edges)))
    count = csr_array(np.ones((1, len(edges))))
    fewest = 1.0 if n % 2 == 0 else 0.0
    found = milp(
        np.array([cost[edge] for edge in edges]),
        integrality=np.ones(len(edges)),
        bounds=(0, 1),
        constraints=[
            LinearConstraint(degree, fewest, 1.0),
            LinearConstraint(count, n // 2, n // 2),
        ],
        options={"time_limit": SECONDS, "mip_rel_gap": 0.0},
    )
    if found.x is None:  # out of time before any solution: in the order given
        return _in_order(n), False
    chosen = tuple(edge for edge, share in zip(edges, found.x, strict=True) if share > 0.5)
    return chosen, bool(found.status == 0)


def _alternatives(
    names: Sequence[str], known: Mapping[Edge, Pair], cost: FloatArray, edges: Sequence[Edge]
) -> list[Alternative]:
    """Find for each pair the best matching without it, where it is as good within uncertainty."""
    found: dict[frozenset[Edge], Alternative] = {}
    for edge in edges:
        without = cost.copy()
        without[edge] = without[edge[::-1]] = _FORBIDDEN
        other, _ = cheapest(without)
        lost, won = sorted(set(edges) - set(other)), sorted(set(other) - set(edges))
        if edge in other or frozenset(won) in found:
            continue
        more = sum(cost[e] for e in won) - sum(cost[e] for e in lost)
        if more > Z95 * math.sqrt(sum(_variance(known[e]) for e in (*lost, *won))):
            continue
        found[frozenset(won)] = Alternative(
            tuple((names[i], names[j]) for i, j in lost),
            tuple((names[i], names[j]) for i, j in won),
            _alone(names, other),
            _rms(cost, other) - _rms(cost, edges),
        )
    return sorted(found.values(), key=lambda a: a.cost_more)


def _variance(one: Pair) -> float:
    """Variance of the price of a pair [dB4], the pairs of a matching taken as independent.

    For d with standard uncertainty u the variance of d^2 is 4 d^2 u^2 + 2 u^4.
    """
    u = (one.worst_95[1] - one.worst_95[0]) / 2 / Z95
    return 4 * one.worst_db**2 * u**2 + 2 * u**4
