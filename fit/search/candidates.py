"""The models tried on the takes: coils first, then laws of suspension and former on the best.

Every start comes from the data or from a simpler model already fitted, so that a candidate costs
few steps.
"""

from __future__ import annotations

import math
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from fit.driver.mechanics import CANDIDATES, IDEAL, Mechanics
from fit.driver.voicecoil import MODELS, CoilModel
from fit.given.measured import FreeAir, MeasuredCurve, Session
from fit.numerics.least_squares import least_squares
from fit.problem.joint_problem import Problem, bounded
from fit.problem.reweighting import ROUGH
from fit.problem.settle import Settled, left_over, rough_variance, settle
from fit.search.choose import Contest, criterion, penalty
from fit.search.first_mass_or_box import start as joint_start
from fit.search.growth import sections_seen
from fit.search.guess import Search
from meas.curve import together

FloatArray = NDArray[np.float64]

_NEAR, _AS_FAR = 50.0, 20.0
"""Score, and multiple of the best one's, up to which a law might bring a coil before the best."""
_LOST, _AS_LOST = 2.0, 10.0
"""Rough chi-square, and multiple of the least one, from which a start is given up."""
_APART = 0.01
"""Distance of two solutions that are one (logarithms)."""
_WORTH = 0.01
"""Gain in chi-square that a start need not have."""
_TRIES = 15
"""Evaluations after which a law shows whether it gains anything."""


@dataclass(frozen=True, eq=False)
class _FreeState:
    start: FloatArray  # reference state and coil
    cost: float  # chi-square under the rough model error
    sections: list[tuple[float, float]]  # that the coil's ladder might grow by: H, rad/s


def fitted(
    curves: Sequence[MeasuredCurve],
    session: Session,
    contest: Contest,
    wanted: tuple[CoilModel, Mechanics] | None = None,
) -> list[Settled]:
    """All models that the data may ask for, fitted to all takes, and one that somebody wants.

    Args:
        curves: At least one in free air.
        session: What else was measured.
        contest: What ranks them on the way.
        wanted: Coil and laws of a model that is to be among them whatever the data say.
    """
    states = _free_states(curves, session)
    worth = _worth_fitting(states)
    found = [
        _joint(curves, session, coil, states[coil.name].start)
        for coil in MODELS
        if coil.name in worth
    ]
    ranking = contest.ranked(found)
    best, *others = ranking.candidates
    found += [_with_laws(best, mechanics) for mechanics in CANDIDATES]
    limit = _NEAR + _AS_FAR * ranking.score(best)
    near = [other for other in others if ranking.score(other) < limit]
    # A ring is part of the coil: the best coil without one need not be the best beside one, and
    # a large one may be the ring that a small one lacks.
    size = best.problem.driver.coil.size
    found += [
        _with_laws(other, mechanics)
        for other in near
        if best.leaves_structure or other.problem.driver.coil.size < size
        for mechanics in CANDIDATES
        if mechanics.former is not None
    ]
    # The likeliest may be inadmissible for a section that its coil needed in place of its law.
    # Where the best one leaves structure over, what it lacks any of those ahead of it may have.
    best = contest.ranked(found).candidates[0]
    likely = sorted(found, key=criterion)
    ahead = likely[: likely.index(best)]
    leaders = [best, *(ahead if best.leaves_structure else ahead[:1])]
    leaders = [leader for leader in leaders if leader.problem.driver.mechanics is not IDEAL]
    # A flexible coil may have stood in for the law: the others get their chance with it.
    laws = dict.fromkeys(leader.problem.driver.mechanics for leader in leaders)
    found += [_with_laws(other, law) for law in laws for other in near]
    if leaders:
        leaders.append(contest.ranked(found).candidates[0])
    for leader in leaders:
        found += _simpler(curves, session, found, states, leader)
    if wanted is not None:
        tried = {candidate.problem.driver.name for candidate in found}
        found += _wanted(curves, session, states, tried, *wanted)
    return _different(found)


def _simpler(
    curves: Sequence[MeasuredCurve],
    session: Session,
    found: Sequence[Settled],
    states: Mapping[str, _FreeState],
    leader: Settled,
) -> list[Settled]:
    """A model with the coil that its own grew from.

    Without the law that coil may have been too poor to be fitted at all.
    """
    driver = leader.problem.driver
    simpler = next((coil for coil in MODELS if coil.name == driver.coil.grows_from), None)
    known = {candidate.problem.driver.name for candidate in found}
    if simpler is None or simpler.name + driver.mechanics.name in known:
        return []
    ideal = _joint(curves, session, simpler, states[simpler.name].start)
    return [_with_laws(ideal, driver.mechanics, simpler)]


def _different(candidates: Sequence[Settled]) -> list[Settled]:
    """One candidate of each name: a ladder and a ring reach the same model from two coils."""
    found: dict[str, Settled] = {}
    for candidate in candidates:
        name = candidate.problem.driver.name
        if name not in found or candidate.deviance < found[name].deviance:
            found[name] = candidate
    return list(found.values())


def _wanted(
    curves: Sequence[MeasuredCurve],
    session: Session,
    states: Mapping[str, _FreeState],
    tried: Collection[str],
    coil: CoilModel,
    mechanics: Mechanics,
) -> list[Settled]:
    """One model, from every coil that it may be reached from."""

    def ideal(name: str) -> Settled:
        return _joint(curves, session, _coil(name), states[name].start)

    if mechanics is IDEAL:
        return [] if coil.name in tried else [ideal(coil.name)]
    reached = [coil.name]
    if mechanics.former is not None:
        reached += [name for name, simpler in _SIMPLER.items() if simpler == coil.name]
    return [_with_laws(ideal(name), mechanics, coil, surely=True) for name in reached]


def _free_states(curves: Sequence[MeasuredCurve], session: Session) -> Mapping[str, _FreeState]:
    """Every coil fitted to free air under a rough model error."""
    alone = _free_air(curves)
    search = Search(alone.curve)
    states: dict[str, _FreeState] = {}
    for coil in MODELS:
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
    """The longest free-air take; of readings all of its kind together.

    A coarse table over the whole band and a dense one of the resonance tell little alone.
    """
    free = [curve for curve in curves if isinstance(curve.condition, FreeAir)]
    longest = max(free, key=lambda curve: curve.curve.frequency_hz.size)
    if not longest.of_readings:
        return longest
    kind = type(longest.curve)
    readings = [curve.curve for curve in free if type(curve.curve) is kind and curve.of_readings]
    return replace(longest, curve=together(readings))


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
    at_rest = np.zeros(problem.size - 4 - coil.size)
    rough = problem.weighted(rough_variance(problem))
    found = _valleys(rough, [np.concatenate([start, at_rest]) for start in starts])
    # Under a rough model error all valleys are shallow; which is the deepest shows under less.
    fine = problem.weighted(rough_variance(problem, min(left_over(rough, found[0]), ROUGH)))
    best = _valleys(fine, found)[0]
    sections = sections_seen(fine, best)
    cost = float(np.sum(rough.residual(best) ** 2))
    return _FreeState(best[: 4 + coil.size], cost, sections)


def _valleys(problem: Problem, starts: Sequence[FloatArray]) -> list[FloatArray]:
    """Solutions from all starts, best first, without those that have no prospect."""
    solutions = [
        least_squares(problem.residual, problem.jacobian, start, tolerance=1e-6, worth=_WORTH)
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


def _joint(
    curves: Sequence[MeasuredCurve], session: Session, coil: CoilModel, free: FloatArray
) -> Settled:
    problem = Problem(curves, session, coil)
    return settle(problem, joint_start(problem, free))


def _with_laws(
    ideal: Settled, mechanics: Mechanics, coil: CoilModel | None = None, *, surely: bool = False
) -> Settled:
    """The same takes with laws: settled if these gain anything, else as a first look found it.

    One that gains nothing remains a rival: what it would make of the parameters is possible.
    Where the fit without laws leaves structure, its variances hide what they would explain: they
    are always settled then.

    Args:
        ideal: The fit without laws.
        mechanics: The laws.
        coil: Coil model; by default that of the fit without laws, but for a former one section
            less, where there are sections.
        surely: Settle whatever it gains.
    """
    before = ideal.problem
    if coil is None:
        coil = _beside(ideal.problem.driver.coil, mechanics)
    starts = _starts(ideal, mechanics, coil)
    problem = Problem([take.measured for take in before.takes], before.session, coil, mechanics)
    problem = problem.weighted(before.variance)
    was = float(np.sum(before.residual(ideal.theta) ** 2))
    best: tuple[float, FloatArray] = (math.inf, ideal.theta)
    for theta in starts:
        problem = problem.with_errors_on(theta)
        solution = least_squares(
            problem.residual,
            problem.jacobian,
            theta,
            tolerance=1e-4,
            worth=_WORTH,
            evaluations=_TRIES,
        )
        if solution.cost < best[0]:
            best = (solution.cost, bounded(solution.values))
    price = penalty(problem.driver) - penalty(before.driver)
    if surely or ideal.leaves_structure or was - best[0] > 0.5 * price:
        return settle(problem, best[1])
    return Settled(problem, best[1], ideal.misfits, ideal.misfits_over_noise)


def _starts(ideal: Settled, mechanics: Mechanics, coil: CoilModel) -> list[FloatArray]:
    """Starting vectors of a model with laws, from the fit of the same coil without.

    A closed former is seen in the coil as a section of a ladder: where the coil has a section
    less, each in turn becomes the ring.
    """
    driver, theta = ideal.problem.driver, ideal.theta
    first = driver.columns[-1] + 1  # the laws stand behind the coil
    head, tail = theta[: driver.coil_columns[0]], theta[first:]
    own = theta[driver.coil_columns]
    if coil is driver.coil:
        return [np.concatenate([head, own, law, tail]) for law in mechanics.starts]
    starts = []
    for section in range(1, own.size, 2):
        L, R = np.exp(own[section : section + 2])
        rest = np.delete(own, [section, section + 1])
        for law in mechanics.starts:
            ring = np.array([law[-3], theta[2] + math.log(L / R), math.log(R)])
            starts.append(np.concatenate([head, rest, law[:-3], ring, tail]))
    return starts


def _beside(coil: CoilModel, mechanics: Mechanics) -> CoilModel:
    simpler = _SIMPLER.get(coil.name) if mechanics.former is not None else None
    return coil if simpler is None else _coil(simpler)


def _coil(name: str) -> CoilModel:
    return next(coil for coil in MODELS if coil.name == name)


_SIMPLER = {"ladder": "plain", "ladder3": "ladder", "ladder4": "ladder3"}
"""Ladder of one section less."""
