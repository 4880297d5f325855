"""Every coil on free air alone: the reference state from which all other fits start."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from fit.driver.coils.coil import CoilModel
from fit.driver.models import COILS
from fit.given.measured import FreeAir, MeasuredCurve, Session
from fit.numerics.least_squares import least_squares
from fit.problem.columns import bounded
from fit.problem.joint_problem import Problem
from fit.problem.reweighting import ROUGH
from fit.problem.settle import relative_misfit, rough_variance
from fit.search.growth import sections_seen
from fit.search.guess import Search
from meas.curve import FloatArray, merged

WORTH = 0.01
"""Gain in chi-square that is not worth another step of a start."""
_LOST, _AS_LOST = 2.0, 10.0
"""Rough chi-square, and multiple of the least one, beyond which a start is given up."""
_APART = 0.01
"""Distance below which two solutions are the same (logarithms)."""


@dataclass(frozen=True, eq=False)
class FreeState:
    """One coil fitted to free air under a rough model error.

    Attributes:
        start: Reference state and coil, shape (4 + size of the coil,).
        cost: Chi-square.
        sections: Inductance [H] and corner [rad/s] of sections that its ladder might grow by.
    """

    start: FloatArray
    cost: float
    sections: list[tuple[float, float]]


def coils_on_free_air(curves: Sequence[MeasuredCurve], session: Session) -> Mapping[str, FreeState]:
    """Fit every coil to the free-air take under a rough model error.

    Args:
        curves: The takes, at least one in free air.

    Returns:
        Name of each coil to its fit.
    """
    alone = _free_air(curves)
    search = Search(alone.curve)
    states: dict[str, FreeState] = {}
    for coil in COILS:
        starts = search.starts(coil)
        if coil.grows_from is not None:
            simpler = states[coil.grows_from]
            starts += [
                np.concatenate([simpler.start[:4], internal])
                for internal in coil.grown(simpler.start[4:], simpler.sections)
            ]
        states[coil.name] = _free_state(alone, starts, session, coil)
    return states


def _free_air(curves: Sequence[MeasuredCurve]) -> MeasuredCurve:
    """Longest free-air take; of tables of readings all of one kind as one.

    A coarse table over the whole band and a dense one of the resonance tell little alone.
    """
    free = [curve for curve in curves if isinstance(curve.condition, FreeAir)]
    longest = max(free, key=lambda curve: curve.curve.frequency_hz.size)
    if not longest.of_readings:
        return longest
    kind = type(longest.curve)
    readings = [curve.curve for curve in free if type(curve.curve) is kind and curve.of_readings]
    return replace(longest, curve=merged(readings))


def _free_state(
    alone: MeasuredCurve, starts: Sequence[FloatArray], session: Session, coil: CoilModel
) -> FreeState:
    """Fit one coil to one free-air take, from all starts."""
    bare = Session(
        None, None, None, session.pressure, session.temperature, session.relative_humidity
    )
    problem = Problem([alone], bare, coil)
    at_rest = np.zeros(problem.size - 4 - coil.size)
    rough = problem.weighted(rough_variance(problem))
    found = _valleys(rough, [np.concatenate([start, at_rest]) for start in starts])
    # Under a rough model error all valleys are shallow; which is the deepest shows under less.
    fine = problem.weighted(rough_variance(problem, min(relative_misfit(rough, found[0]), ROUGH)))
    best = _valleys(fine, found)[0]
    sections = sections_seen(fine, best)
    cost = float(np.sum(rough.residual(best) ** 2))
    return FreeState(best[: 4 + coil.size], cost, sections)


def _valleys(problem: Problem, starts: Sequence[FloatArray]) -> list[FloatArray]:
    """Solve from all starts: distinct solutions, best first, without hopeless ones."""
    solutions = [
        least_squares(problem.residual, problem.jacobian, start, tolerance=1e-6, worth=WORTH)
        for start in starts
    ]
    solutions.sort(key=lambda solution: solution.cost)
    limit = _LOST + _AS_LOST * solutions[0].cost
    found: list[FloatArray] = []
    for solution in solutions:
        values = bounded(solution.values)
        if solution.cost < limit and all(
            np.max(np.abs(values - other)) > _APART for other in found
        ):
            found.append(values)
    return found
