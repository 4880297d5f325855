"""Uncertainty of a crossover's numbers by the errors of its parts and loads."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace

from fit.crossover.ladder import Part
from fit.crossover.network import (
    Branch,
    NetworkPart,
    NetworkSolution,
    crossings,
    least_load,
    solve,
    with_part,
)
from fit.results.result import Estimate
from meas.curve import FloatArray

Quantity = Callable[[NetworkSolution], float | None]
Disturbed = tuple[str, NetworkSolution, NetworkSolution]
"""An error source, and the network with it off by a standard uncertainty, up and down."""


def crossing(first: int, second: int, near_hz: float) -> Quantity:
    """Frequency near a given one at which two branches give their drivers one voltage [Hz]."""

    def found(solution: NetworkSolution) -> float | None:
        a, b = solution.branches[first], solution.branches[second]
        all_of_them = crossings(solution.frequency_hz, a.level_db, b.level_db)
        return min(all_of_them, key=lambda hz: abs(hz / near_hz - 1), default=None)

    return found


def minimum(solution: NetworkSolution) -> float:
    """Least |Z| that the amplifier sees [ohm]."""
    return least_load(solution.frequency_hz, solution.load_ohm)[0]


def estimate(
    solution: NetworkSolution, moved: Sequence[Disturbed], quantity: Quantity, unit: str
) -> Estimate | None:
    """Evaluate a number of the network with the effect of every error source on it.

    Sources are taken as independent, each effect by central difference over two standard
    uncertainties (JCGM 100:2008, 5.1.3, note 2). An error that two loads share, such as the
    resistor of one bench, moves both at once. A source that can make the number vanish leaves it
    open by a factor of e.

    Args:
        moved: As `disturbed` solves them.

    Returns:
        The estimate; None if the network has no such number.
    """
    value = quantity(solution)
    if value is None:
        return None
    contributions = {}
    for source, up, down in moved:
        high, low = quantity(up), quantity(down)
        if high is None or low is None:
            contributions[source] = value
        elif high != low:
            contributions[source] = (high - low) / 2
    return Estimate(value, unit, contributions)


def disturbed(branches: Sequence[Branch], frequency_hz: FloatArray) -> Iterator[Disturbed]:
    """Solve the network with each source off by a standard uncertainty, up and down."""
    for index, branch in enumerate(branches):
        for named in branch.parts:
            for words, up, down in _shifted(named):
                solutions = [
                    solve(
                        [
                            *branches[:index],
                            with_part(branch, named.name, part),
                            *branches[index + 1 :],
                        ],
                        frequency_hz,
                    )
                    for part in (up, down)
                ]
                yield f"{branch.name} {named.name} {words}", solutions[0], solutions[1]
    loads = {source for branch in branches for source in branch.load.errors}
    parts = {s for branch in branches for named in branch.parts for s in named.errors}
    for source in sorted(loads | parts):
        high, low = (_common(branches, frequency_hz, source, sign) for sign in (1.0, -1.0))
        yield source, high, low


def _common(
    branches: Sequence[Branch], frequency_hz: FloatArray, source: str, sign: float
) -> NetworkSolution:
    """Solve the network with one source off in all that was measured with it."""
    change = {
        branch.name: sign * branch.load.errors[source](frequency_hz)
        for branch in branches
        if source in branch.load.errors
    }
    moved = []
    for branch in branches:
        changed = branch
        for named in branch.parts:
            effect = named.errors.get(source)
            if effect is not None:
                values = {
                    name: max(getattr(named.part, name) + sign * part, 0.0)
                    for name, part in effect.items()
                }
                changed = with_part(changed, named.name, replace(named.part, **values))
        moved.append(changed)
    return solve(moved, frequency_hz, change)


def _shifted(named: NetworkPart) -> Iterator[tuple[str, Part, Part]]:
    """Shift a part by one standard uncertainty up and down; nothing falls below zero."""
    part, value, series = named.part, named.value_uncertainty, named.series_uncertainty
    if value > 0:
        yield (
            "value",
            replace(part, value=part.value + value),
            replace(part, value=max(part.value - value, 1e-3 * part.value)),
        )
    if series > 0:
        yield (
            "series resistance",
            replace(part, series_ohm=part.series_ohm + series),
            replace(part, series_ohm=max(part.series_ohm - series, 0.0)),
        )
