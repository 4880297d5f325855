"""The models tried on the takes: coils first, then laws of suspension and former on the best.

Every start comes from the data or from a simpler model already fitted, so that a candidate costs
few steps.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from fit.choose import PENALTY, scores
from fit.guess import Search
from fit.loaded import start as joint_start
from fit.measured import FreeAir, MeasuredCurve, Session
from fit.mechanics import CANDIDATES, IDEAL, Mechanics
from fit.problem import Problem, bounded
from fit.settle import Settled, rough_variance, settle
from fit.solve import least_squares
from fit.voicecoil import MODELS, CoilModel

FloatArray = NDArray[np.float64]

_NEAR = 30.0
"""Score behind the best up to which a coil is tried with the laws too."""
_TRIES = 15
"""Evaluations after which a law shows whether it gains anything."""


@dataclass(frozen=True, eq=False)
class _FreeState:
    start: FloatArray  # reference state and coil
    cost: float  # chi-square under the rough model error


def fitted(curves: Sequence[MeasuredCurve], session: Session) -> list[Settled]:
    """All models that the data may ask for, fitted to all takes.

    Args:
        curves: At least one in free air.
        session: What else was measured.
    """
    states = _free_states(curves, session)
    found = [
        _joint(curves, session, coil, states[coil.name].start)
        for coil in MODELS
        if coil.name in _worth_fitting(states)
    ]
    ranked = _ranked(found)
    best = ranked[0]
    gaining: list[Settled] = []
    for mechanics in CANDIDATES:
        if (trial := _with_laws(best, mechanics)) is not None:
            gaining.append(trial)
    found += gaining
    if gaining and (law := _ranked(found)[0].problem.driver.mechanics) is not IDEAL:
        # A flexible coil may have stood in for the law: the others get their chance with it.
        for other in ranked[1:]:
            if (trial := _with_laws(other, law, spare=0.0)) is not None:
                found.append(trial)
    return found


def named(
    curves: Sequence[MeasuredCurve], session: Session, coil: CoilModel, mechanics: Mechanics
) -> list[Settled]:
    """The model asked for, and the other coils that come near it as rivals.

    Args:
        curves: At least one in free air.
        session: What else was measured.
        coil: Coil model.
        mechanics: Laws of suspension and former.
    """
    states = _free_states(curves, session)
    found = []
    for candidate in MODELS:
        if candidate is coil or candidate.name in _worth_fitting(states):
            ideal = _joint(curves, session, candidate, states[candidate.name].start)
            found.append(ideal)
            if candidate is coil and mechanics is not IDEAL:
                trial = _with_laws(ideal, mechanics, spare=-math.inf)
                assert trial is not None
                found.append(trial)
    return found


def _ranked(candidates: Sequence[Settled]) -> list[Settled]:
    score = scores(candidates)
    return sorted(candidates, key=lambda c: score.get(c.problem.driver.name, math.inf))


def _free_states(curves: Sequence[MeasuredCurve], session: Session) -> Mapping[str, _FreeState]:
    """Every coil fitted to the longest free-air take under a rough model error."""
    alone = max(
        (curve for curve in curves if isinstance(curve.condition, FreeAir)),
        key=lambda curve: curve.curve.frequency_hz.size,
    )
    search = Search(alone.curve)
    states: dict[str, _FreeState] = {}
    for coil in MODELS:
        if coil.grows_from is None:
            starts = search.starts(coil)
        else:
            simpler = states[coil.grows_from].start
            starts = [
                np.concatenate([simpler[:4], internal]) for internal in coil.grown(simpler[4:])
            ]
        states[coil.name] = _free_state(alone, starts, session, coil)
    return states


def _worth_fitting(states: Mapping[str, _FreeState]) -> list[str]:
    """The two coils that follow the free-air take best, and all that come near them.

    A rough chi-square ten times as large and 50 more is beyond what the final choice could
    reverse.
    """
    ranked = sorted(states, key=lambda name: states[name].cost)
    limit = 50.0 + 10.0 * states[ranked[0]].cost
    return [name for place, name in enumerate(ranked) if place < 2 or states[name].cost < limit]


def _free_state(
    alone: MeasuredCurve, starts: Sequence[FloatArray], session: Session, coil: CoilModel
) -> _FreeState:
    """Reference state and coil from one free-air take, the best from all starts."""
    bare = Session(
        None, None, None, session.pressure, session.temperature, session.relative_humidity
    )
    problem = Problem([alone], bare, coil)
    problem.variance = rough_variance(problem)
    best: tuple[float, FloatArray] = (math.inf, np.zeros(problem.size))
    for trial in starts:
        theta = np.zeros(problem.size)
        theta[: trial.size] = trial
        solution = least_squares(problem.residual, problem.jacobian, theta, tolerance=1e-6)
        if solution.cost < best[0]:
            best = (solution.cost, bounded(solution.values))
    return _FreeState(best[1][: 4 + coil.size], best[0])


def _joint(
    curves: Sequence[MeasuredCurve], session: Session, coil: CoilModel, free: FloatArray
) -> Settled:
    problem = Problem(curves, session, coil)
    return settle(problem, joint_start(problem, free))


def _with_laws(ideal: Settled, mechanics: Mechanics, *, spare: float = PENALTY) -> Settled | None:
    """The same coil with laws, fitted if they gain more than half of `spare` a parameter.

    Where the fit without them leaves structure, its variances hide what they would explain: they
    are always fitted then.
    """
    before = ideal.problem
    problem = Problem(
        [take.measured for take in before.takes], before.session, before.driver.coil, mechanics
    )
    problem.variance = before.variance
    first = before.driver.columns[-1] + 1  # the laws stand behind the coil
    was = float(np.sum(before.residual(ideal.theta) ** 2))
    best: tuple[float, FloatArray] = (math.inf, ideal.theta)
    for internal in mechanics.starts:
        theta = np.concatenate([ideal.theta[:first], internal, ideal.theta[first:]])
        problem.calm_errors(theta)
        solution = least_squares(
            problem.residual, problem.jacobian, theta, tolerance=1e-4, evaluations=_TRIES
        )
        if solution.cost < best[0]:
            best = (solution.cost, solution.values)
    structured = any(misfit.structured for misfit in ideal.misfits)
    if not structured and was - best[0] < 0.5 * spare * mechanics.size:
        return None
    return settle(problem, best[1])
