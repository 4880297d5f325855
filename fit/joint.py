"""`fit_driver`: measured curves in, `DriverFit` out."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from fit.driver import named_model
from fit.given import air
from fit.given.measured import AddedMass, FreeAir, MeasuredCurve, Session, TestBox
from fit.given.prior_widths import REPEAT_WEIGHT
from fit.problem.joint_problem import Problem
from fit.problem.reported import extremes
from fit.problem.settle import Settled, polished, settle, to_all_digits
from fit.results import model_words
from fit.results.result import DriverFit, FittedCurve
from fit.search.candidates import fitted
from fit.search.choose import Contest, Ranking
from fit.search.first_mass_or_box import start as joint_start
from fit.uncertainty import budget, doubts, monte_carlo
from fit.uncertainty.rivals import Rival
from meas.errors import Finding, Refused

FloatArray = NDArray[np.float64]

AUTO = "auto"

_ORDER = {"free-air": 0, "added-mass": 1, "test-box": 2}


def fit_driver(curves: Sequence[MeasuredCurve], session: Session, model: str = AUTO) -> DriverFit:
    """Estimate a driver from one or more takes in one least-squares problem.

    One free-air take is the reference state itself. Of several, the reference is their mean and
    their scatter is the repeatability. Added masses give Mms; test boxes give Vas without the
    area; either gives the other with the area; both give the area without the ruler, which then
    only checks it.

    Args:
        curves: At least one in free air; any number with added masses and test boxes.
        session: What else was measured.
        model: ``auto``, or the name of a coil model, perhaps with laws of suspension and former
            behind it: ``ladder``, ``lossy+creep``, ``plain+relaxing+former``.

    Raises:
        ValueError: If no model has the given name.
        Refused: When the data cannot support a result: ``no-free-air no-resonance poor-fit
            wrong-condition unit-changed leaky-box unknown-resistor``.
    """
    # One order for all, so that the same takes give the same digits however they are named.
    order = sorted(range(len(curves)), key=lambda index: _ORDER[curves[index].condition.name])
    found = chosen([curves[index] for index in order], session, model)
    result = _result(found.settled, found.rivals, found.choice, found.freedom)
    as_given = tuple(result.curves[order.index(index)] for index in range(len(curves)))
    return replace(result, curves=as_given)


def fit_near(
    curves: Sequence[MeasuredCurve], session: Session, model: str, near: Mapping[str, float]
) -> DriverFit:
    """The same by one model from a state that is known to be near, without looking elsewhere.

    For units of a series, which are alike and measured alike: no rival models, one free-air take,
    intervals by linear propagation. What it takes for the optimum may be a valley beside it; then
    the model misses the curve more than it does in other units, and `fit_driver` has to look.

    Args:
        curves: As for `fit_driver`, with one of them in free air.
        session: What else was measured.
        model: Name of the model.
        near: Reported parameters of a driver like this one: ``Re fs Qms Qes`` and the model's own.

    Raises:
        ValueError: If no model has the given name.
        Refused: As `fit_driver`; ``unknown-coil`` when one of the model's parameters is missing.
    """
    coil, mechanics = named_model.named(model)
    w0 = 2 * math.pi * near["fs"]
    state = [near["Re"], w0 * near["Re"] / near["Qes"], w0, w0 / near["Qms"]]
    free = np.concatenate([np.log(state), named_model.known(model, near).internal])
    problem = Problem(curves, session, coil, mechanics)
    settled = to_all_digits(settle(problem, joint_start(problem, free)))
    return _result(settled, (), {}, math.inf, linear=True)


@dataclass(frozen=True, eq=False)
class Chosen:
    """The model that a fit settled on.

    Attributes:
        settled: Its solution, with the weights it was found under.
        rivals: The other models.
        choice: Model to its criterion.
        freedom: Degrees of freedom of the repeatability.
    """

    settled: Settled
    rivals: Sequence[Rival]
    choice: Mapping[str, float]
    freedom: float


def chosen(curves: Sequence[MeasuredCurve], session: Session, model: str = AUTO) -> Chosen:
    """Fit all models that the data may ask for, and choose.

    Args:
        curves: As for `fit_driver`.
        session: What else was measured.
        model: As for `fit_driver`.

    Raises:
        ValueError: If no model has the given name.
        Refused: When the takes do not belong together, or none is in free air.
    """
    wanted = None if model == AUTO else named_model.named(model)
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
    contest = Contest()
    ranking = contest.ranked(fitted(curves, session, contest, wanted))
    first = next(c for c in ranking.candidates if model in (AUTO, c.problem.driver.name))
    rivals = _rivals(first, ranking)
    best = polished(first)
    freedom = math.inf
    if sum(isinstance(curve.condition, FreeAir) for curve in curves) > 1:
        best, freedom = _with_repeatability(best)
    return Chosen(best, rivals, ranking.scores, freedom)


def _rivals(best: Settled, ranking: Ranking) -> list[Rival]:
    """The other candidates, each with its probability by the criterion beside the best.

    One that the criterion left out, because its coil imitates the resonance, is no rival.
    """
    found = []
    for other in ranking.candidates:
        if other is best or math.isinf(ranking.score(other)):
            continue
        behind = float(np.clip(ranking.doubt(other) - ranking.doubt(best), -60.0, 60.0))
        found.append(Rival(other, 1 / (1 + _odds(behind, ranking.likeliest.freedom))))
    return found


def _odds(behind: float, freedom: float) -> float:
    """Of the better of two models, by what the other is behind in chi-square.

    By Student's law instead of the normal one where the variance comes from few points.
    """
    if math.isinf(freedom):
        return math.exp(behind / 2)
    power: float = (1 + abs(behind) / freedom) ** (freedom / 2)
    return power if behind > 0 else 1 / power


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
        [take.measured for take in problem.takes],
        problem.session,
        problem.driver.coil,
        problem.driver.mechanics,
        scatter,
    )
    return to_all_digits(settle(again, first.theta)), freedom


def _result(
    settled: Settled,
    rivals: Sequence[Rival],
    choice: Mapping[str, float],
    freedom: float,
    *,
    linear: bool = False,
) -> DriverFit:
    problem, theta = settled.problem, settled.theta
    free = [take for take in problem.takes if isinstance(take.measured.condition, FreeAir)]
    bands = [take.measured.curve.frequency_hz[[0, -1]] for take in free]
    band = (float(min(b[0] for b in bands)), float(max(b[1] for b in bands)))
    doubts.refuse_without_resonance(settled, band)
    at = extremes(problem, theta, band)
    found = budget.estimates(settled, rivals, at, freedom)
    if not linear:
        found = monte_carlo.where_needed(found, settled, at)
    doubts.refuse_without_values(found.estimates)
    curves = tuple(_fitted(settled, index) for index in range(len(problem.takes)))
    findings = doubts.about(settled, found.estimates, band)
    findings += doubts.about_model(settled, rivals, choice, at)
    findings += model_words.doubts(problem.driver.name, found.estimates, band)
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
        model=problem.driver.name,
        parameters=found.estimates,
        curves=curves,
        warnings=tuple(findings),
        sources=found.sources,
        leverages=found.leverages,
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
