"""`fit_driver`: measured curves in, `DriverFit` out."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from fit import air, budget, doubts
from fit.choose import scores
from fit.derived import extremes
from fit.drift import REPEAT_WEIGHT
from fit.guess import Search
from fit.loaded import start as joint_start
from fit.measured import AddedMass, FreeAir, MeasuredCurve, Session, TestBox
from fit.problem import Problem
from fit.result import DriverFit, FittedCurve
from fit.settle import Settled, polished, rough_variance, settle
from fit.solve import least_squares
from fit.voicecoil import MODELS, CoilModel
from meas.errors import Finding, Refused

FloatArray = NDArray[np.float64]

AUTO = "auto"


def fit_driver(curves: Sequence[MeasuredCurve], session: Session, model: str = AUTO) -> DriverFit:
    """Estimate a driver from one or more takes in one least-squares problem.

    One free-air take is the reference state itself. Of several, the reference is their mean and
    their scatter is the repeatability. Added masses give Mms; test boxes give Vas without the
    area; either gives the other with the area; both give the area without the ruler, which then
    only checks it.

    Args:
        curves: At least one in free air; any number with added masses and test boxes.
        session: What else was measured.
        model: ``auto`` or the name of a coil model.

    Raises:
        ValueError: If no coil model has the given name.
        Refused: When the data cannot support a result: ``no-free-air no-resonance poor-fit
            wrong-condition unit-changed leaky-box unknown-resistor``.
    """
    known = [coil.name for coil in MODELS]
    if model not in (AUTO, *known):
        raise ValueError(f"no coil model {model!r}; there are {', '.join((AUTO, *known))}")
    if not any(isinstance(curve.condition, FreeAir) for curve in curves):
        raise Refused(
            [
                Finding(
                    "no-free-air",
                    "no take in free air: masses and boxes are told from their difference to it",
                    refuses=True,
                )
            ]
        )
    alone = max(
        (curve for curve in curves if isinstance(curve.condition, FreeAir)),
        key=lambda curve: curve.curve.frequency_hz.size,
    )
    search = Search(alone.curve)
    states = {coil.name: _free_state(alone, search, session, coil) for coil in MODELS}
    candidates = [
        _joint(curves, session, coil, states[coil.name].start)
        for coil in MODELS
        if coil.name in _worth_fitting(states) or coil.name == model
    ]
    choice = scores(candidates)
    ranked = sorted(candidates, key=lambda c: choice.get(c.problem.coil.name, math.inf))
    first = next(c for c in ranked if model in (AUTO, c.problem.coil.name))
    rival = _rival(first, ranked, choice)
    best = polished(first)
    freedom = math.inf
    if sum(isinstance(curve.condition, FreeAir) for curve in curves) > 1:
        best, freedom = _with_repeatability(best)
    return _result(best, rival, choice, freedom)


def _rival(best: Settled, ranked: Sequence[Settled], choice: Mapping[str, float]) -> budget.Rival:
    """The best of the other candidates, with its probability by the criterion."""
    other = next(c for c in ranked if c is not best)
    names = best.problem.coil.name, other.problem.coil.name
    if not all(name in choice for name in names):
        return budget.Rival(other, 0.0)
    behind = float(np.clip(choice[names[1]] - choice[names[0]], -60.0, 60.0))
    return budget.Rival(other, 1 / (1 + math.exp(behind / 2)))


@dataclass(frozen=True, eq=False)
class _FreeState:
    start: FloatArray  # reference state and coil
    cost: float  # chi-square under the rough model error


def _worth_fitting(states: Mapping[str, _FreeState]) -> list[str]:
    """The two coils that follow the free-air take best, and all that come near them.

    A rough chi-square ten times as large and 50 more is beyond what the final choice could
    reverse.
    """
    ranked = sorted(states, key=lambda name: states[name].cost)
    limit = 50.0 + 10.0 * states[ranked[0]].cost
    return [name for place, name in enumerate(ranked) if place < 2 or states[name].cost < limit]


def _free_state(
    alone: MeasuredCurve, search: Search, session: Session, coil: CoilModel
) -> _FreeState:
    """Reference state and coil from one free-air take, the best from all starts."""
    bare = Session(
        None, None, None, session.pressure, session.temperature, session.relative_humidity
    )
    problem = Problem([alone], bare, coil)
    problem.variance = rough_variance(problem)
    best: tuple[float, FloatArray] = (math.inf, np.zeros(problem.size))
    for trial in search.starts(coil):
        theta = np.zeros(problem.size)
        theta[: trial.size] = trial
        solution = least_squares(problem.residual, problem.jacobian, theta, tolerance=1e-6)
        if solution.cost < best[0]:
            best = (solution.cost, solution.values)
    return _FreeState(best[1][: 4 + coil.size], best[0])


def _joint(
    curves: Sequence[MeasuredCurve], session: Session, coil: CoilModel, free: FloatArray
) -> Settled:
    problem = Problem(curves, session, coil)
    return settle(problem, joint_start(problem, free))


def _with_repeatability(first: Settled) -> tuple[Settled, float]:
    """Fit again with the scatter that the free-air takes show among themselves.

    A few takes tell their scatter badly: a prior scatter counts for `REPEAT_WEIGHT` of them.
    """
    problem = first.problem
    free = [take for take in problem.takes if isinstance(take.measured.condition, FreeAir)]
    freedom = REPEAT_WEIGHT + len(free) - 1
    scatter = {}
    for kind, expected in problem.repeat.items():
        seen = first.theta[[take.departures[kind] for take in free]]
        spread = float(np.sum((seen - np.mean(seen)) ** 2))
        scatter[kind] = math.sqrt((REPEAT_WEIGHT * expected**2 + spread) / freedom)
    again = Problem(
        [take.measured for take in problem.takes], problem.session, problem.coil, scatter
    )
    return settle(again, first.theta), freedom


def _result(
    settled: Settled, rival: budget.Rival, choice: Mapping[str, float], freedom: float
) -> DriverFit:
    problem, theta = settled.problem, settled.theta
    free = [take for take in problem.takes if isinstance(take.measured.condition, FreeAir)]
    bands = [take.measured.curve.frequency_hz[[0, -1]] for take in free]
    band = (float(min(b[0] for b in bands)), float(max(b[1] for b in bands)))
    doubts.refuse_without_resonance(settled, band)
    at = extremes(problem, theta, band)
    found = budget.estimates(settled, rival, at, freedom)
    curves = tuple(_fitted(settled, index) for index in range(len(problem.takes)))
    findings = doubts.about(settled, found.estimates, band)
    if "Vas" in found.estimates:
        air_stated = problem.session
        findings += air.doubts(
            air_stated.pressure.value,
            air_stated.temperature.value,
            air_stated.relative_humidity.value,
        )
    refusing = [finding for finding in findings if finding.refuses]
    if refusing:
        raise Refused(refusing)
    return DriverFit(
        model=problem.coil.name,
        parameters=found.estimates,
        curves=curves,
        warnings=tuple(findings),
        sources=found.sources,
        model_choice=choice,
    )


def _fitted(settled: Settled, index: int) -> FittedCurve:
    problem, theta = settled.problem, settled.theta
    take = problem.takes[index]
    condition = take.measured.condition
    value: float | None = None
    if isinstance(condition, AddedMass):
        value = condition.mass.value
    elif isinstance(condition, TestBox):
        value = condition.volume.value
    modelled = problem.modelled(theta, index)
    raw = problem.raw(theta, index)
    relative = np.abs(raw) / np.abs(take.data)
    return FittedCurve(
        source=take.measured.source,
        condition=condition.name,
        condition_value=value,
        frequency_hz=take.measured.curve.frequency_hz,
        measured_ohm=take.data,
        model_ohm=np.asarray(take.data + raw) if take.is_complex else modelled.total,
        motional_ohm=modelled.motion,
        residual_rms_relative=float(np.sqrt(np.mean(relative**2))),
    )
