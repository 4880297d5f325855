"""`fit_driver`: measured curves in, `DriverFit` out.

The method, in its order: takes in one order; every coil on the free-air take; those near the best
to all takes; laws of suspension and former on the best of them (`fit.search.candidates`); the
choice (`fit.search.choose`); repeatability (`fit.problem.repeatability`); estimates with what
limits them (`fit.uncertainty.budget`, `monte_carlo`); doubts (`fit.uncertainty.doubts`).
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property

import numpy as np

from fit.driver.from_reported import known
from fit.driver.models import named
from fit.given import air
from fit.given.measured import AddedMass, FreeAir, MeasuredCurve, Session, TestBox
from fit.lmfit_front import Solution
from fit.numerics.one_thread import one_thread
from fit.problem.joint_problem import Problem
from fit.problem.repeatability import with_repeatability
from fit.problem.reported import Extremes, extremes
from fit.problem.settle import Settled, polished, settle, to_all_digits
from fit.results import model_findings
from fit.results.result import DriverFit, FittedCurve
from fit.search.candidates import fitted
from fit.search.choose import BETTER, Contest, with_frame_if_clear, without_second
from fit.search.first_mass_or_box import start as joint_start
from fit.uncertainty import budget, doubts, monte_carlo
from fit.uncertainty.rivals import Rival, rivals_of
from meas.errors import Finding, Refused, refusals

AUTO = "auto"

_ORDER = {"free-air": 0, "added-mass": 1, "test-box": 2}


@one_thread()
def fit_driver(curves: Sequence[MeasuredCurve], session: Session, model: str = AUTO) -> DriverFit:
    """Estimate a driver from one or more takes in one least-squares problem.

    One free-air take is the reference state itself. Of several, the reference is their mean and
    their scatter is the repeatability. Added masses give Mms; test boxes give Vas without the
    area; either gives the other with the area; both give the area without the ruler, which then
    only checks it.

    A driver of 6 ohm, 50 Hz, Qms 4 and Qes 0.5, with a coil of 0.5 mH, from exact curves in free
    air and with 10 g on a cone of 20 g:

    >>> import numpy as np
    >>> from fit.given.in_python import in_free_air, session, with_added_mass
    >>> from meas.curve import ImpedanceCurve
    >>> f = np.geomspace(10, 5000, 60)
    >>> def curve(added):
    ...     s, w0 = 2j * np.pi * f, 2 * np.pi * 50
    ...     moving = 6 * w0 / 0.5 * s / ((1 + added / 20e-3) * s**2 + w0 / 4 * s + w0**2)
    ...     return ImpedanceCurve(f, 6 + 0.5e-3 * s + moving)
    >>> takes = [in_free_air(curve(0)), with_added_mass(curve(10e-3), (10e-3, 0.01e-3))]
    >>> fit = fit_driver(takes, session(pressure=(101325, 200)))
    >>> for symbol in ("Re", "fs", "Qms", "Qes", "Mms"):
    ...     print(f"{symbol} {fit.parameters[symbol].value:.5g}")
    Re 6
    fs 50
    Qms 4
    Qes 0.5
    Mms 0.02

    Args:
        curves: At least one in free air; any number with added masses and test boxes.
        model: ``auto``, or the name of a coil model, perhaps with laws of suspension and former
            behind it: ``ladder``, ``lossy+creep``, ``plain+relaxing+former``.

    Raises:
        ValueError: If no model has the given name.
        Refused: When the data cannot support a result: ``no-free-air no-resonance poor-fit
            not-a-coil two-resonances wrong-condition unit-changed leaky-box unknown-resistor``.
    """
    # One order for all, so that the same takes give the same digits however they are named.
    order = sorted(range(len(curves)), key=lambda index: _ORDER[curves[index].condition.name])
    found = reported(chosen([curves[index] for index in order], session, model))
    as_given = tuple(found.curves[order.index(index)] for index in range(len(curves)))
    return replace(found, curves=as_given)


@one_thread()
def fit_near(
    curves: Sequence[MeasuredCurve], session: Session, model: str, near: Mapping[str, float]
) -> DriverFit:
    """Estimate a driver by one model from a state known to be near, without looking elsewhere.

    For units of a series, which are alike and measured alike: no rival models, one free-air take,
    intervals by linear propagation. The optimum found may be a valley beside the deepest; then
    the model misses the curve more than it does in other units, and `fit_driver` has to look.

    Args:
        curves: As for `fit_driver`, with one of them in free air.
        near: Reported parameters of a driver like this one: ``Re fs Qms Qes`` and the model's own.

    Raises:
        ValueError: If no model has the given name.
        Refused: As `fit_driver`; ``unknown-coil`` when one of the model's parameters is missing.
    """
    coil, mechanics = named(model)
    w0 = 2 * math.pi * near["fs"]
    state = [near["Re"], w0 * near["Re"] / near["Qes"], w0, w0 / near["Qms"]]
    free = np.concatenate([np.log(state), known(model, near).internal])
    problem = Problem(curves, session, coil, mechanics)
    return reported(Chosen(to_all_digits(settle(problem, joint_start(problem, free)))), linear=True)


@dataclass(frozen=True, eq=False)
class Chosen:
    """The model that a fit ended with.

    Attributes:
        settled: Its solution, with the weights it was found under.
        scores: Name of each model to its criterion.
        freedom: Degrees of freedom of the repeatability.
        second: The best model with a second resonance, where one was tried.
    """

    settled: Settled
    rivals: Sequence[Rival] = ()
    scores: Mapping[str, float] = field(default_factory=dict)
    freedom: float = math.inf
    second: Settled | None = None

    @cached_property
    def at(self) -> Extremes:
        """Frequencies of the extremes of |Z| in free air."""
        problem = self.settled.problem
        return extremes(problem, self.settled.theta, _free_air_band(problem))

    @cached_property
    def limits(self) -> budget.Budget:
        """Estimate every value with what limits it, by linear propagation."""
        return budget.estimates(self.settled, self.rivals, self.at, self.freedom)

    @property
    def leaves_law_open(self) -> bool:
        """Tell whether the takes leave open how large a law is: it may as well not be there.

        Noise makes one or the other law gain more than its price in some per cent of fits. One
        whose size is then unknown makes the model no better, and leaves half a model for boxes.
        """
        symbols = self.settled.problem.driver.mechanics.symbols
        return bool(symbols) and not self.limits.estimates.keys() >= set(symbols)


def chosen(curves: Sequence[MeasuredCurve], session: Session, model: str = AUTO) -> Chosen:
    """Fit every plausible model, and choose; a law whose size stays open is not chosen.

    Raises:
        ValueError: If no model has the given name.
        Refused: When the takes do not belong together, or none is in free air.
    """
    wanted = None if model == AUTO else named(model)
    if not any(isinstance(curve.condition, FreeAir) for curve in curves):
        raise Refused([_NO_FREE_AIR])
    contest = Contest()
    found_all = fitted(curves, session, contest, wanted)
    ranking, second = without_second(contest.ranked(found_all))
    if model == AUTO:
        alone = [one for one in found_all if one.problem.driver.mechanics.beside is None]
        ranking = with_frame_if_clear(ranking, contest.ranked(alone))
    candidates = [c for c in ranking.candidates if model in (AUTO, c.problem.driver.name)]
    least = ranking.score(candidates[0])
    as_good = [c for c in candidates if ranking.score(c) - least < BETTER]
    found = []
    for best in as_good:
        settled, freedom = with_repeatability(polished(best))
        found.append(Chosen(settled, rivals_of(best, ranking), ranking.scores, freedom, second))
        if model != AUTO or not found[-1].leaves_law_open:
            return found[-1]
    return found[0]


def reported(found: Chosen, *, linear: bool = False) -> DriverFit:
    """Estimate everything from the model chosen, and say what speaks against it.

    Args:
        linear: Whether linear propagation has to do for every interval.

    Raises:
        Refused: As `fit_driver`.
    """
    problem = found.settled.problem
    band = _free_air_band(problem)
    doubts.refuse_without_resonance(found.settled, band)
    at, limits = found.at, found.limits
    if not linear:
        limits = monte_carlo.where_needed(limits, found.settled, at)
    doubts.refuse_without_values(limits.estimates)
    findings = [
        *doubts.about(found.settled, limits.estimates, band),
        *doubts.about_model(found.settled, found.rivals, found.scores, at),
        *doubts.about_coil(found.settled, found.scores),
        *doubts.about_second(found.settled, found.second, limits.estimates),
        *model_findings.doubts(problem.driver.name, limits.estimates, band),
        *(_doubts_about_air(problem.session) if "Vas" in limits.estimates else []),
    ]
    if refusing := refusals(findings):
        raise Refused(refusing)
    return DriverFit(
        model=problem.driver.name,
        parameters=limits.estimates,
        curves=tuple(_curve(found.settled, index) for index in range(len(problem.takes))),
        warnings=tuple(findings),
        sources=limits.sources,
        leverages=limits.leverages,
        model_choice=found.scores,
        solution=None if linear else Solution(found.settled.without_memory(), at),
    )


def _free_air_band(problem: Problem) -> tuple[float, float]:
    """Lowest and highest frequency in free air [Hz]."""
    free = [take for take in problem.takes if isinstance(take.measured.condition, FreeAir)]
    bands = [take.measured.curve.frequency_hz[[0, -1]] for take in free]
    return float(min(b[0] for b in bands)), float(max(b[1] for b in bands))


def _doubts_about_air(session: Session) -> Sequence[Finding]:
    stated = (session.pressure, session.temperature, session.relative_humidity)
    return air.doubts(*(value.value for value in stated))


def _curve(settled: Settled, index: int) -> FittedCurve:
    """Put a take beside its model."""
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


_NO_FREE_AIR = Finding(
    "no-free-air",
    "no take in free air: a mass or a box shows in the difference to it. Add a take in free air",
    refuses=True,
)
