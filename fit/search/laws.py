"""Laws of suspension and former on models already fitted without them."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from fit.driver.coils.coil import CoilModel
from fit.driver.mechanics import Mechanics
from fit.driver.models import COILS
from fit.numerics.least_squares import least_squares
from fit.problem.columns import bounded
from fit.problem.joint_problem import Problem
from fit.problem.settle import Settled, settle
from fit.search.choose import penalty
from fit.search.free_air import WORTH
from meas.curve import FloatArray

_TRIES = 15
"""Evaluations after which a law has shown whether it gains anything."""
SECTION_LESS = {"ladder": "plain", "ladder3": "ladder", "ladder4": "ladder3"}
"""Each ladder to the one of a section less."""


@dataclass(frozen=True, eq=False)
class Attempt:
    """A model with laws after a few steps, under the variances of the fit without laws.

    Attributes:
        rough: The model as these steps left it.
        gains: Whether the laws gain anything, or the fit without them leaves structure. Where it
            does, its variances hide what laws would explain.
    """

    rough: Settled
    gains: bool

    def settled(self) -> Settled:
        """Fit it to the end."""
        return settle(self.rough.problem, self.rough.theta)


def with_laws(ideal: Settled, mechanics: Mechanics, coil: CoilModel | None = None) -> Attempt:
    """Fit the same takes with laws, a few steps only.

    Args:
        coil: Coil model; by default that of the fit without laws, but for a former one section
            less, where there are sections.
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
            worth=WORTH,
            evaluations=_TRIES,
        )
        if solution.cost < best[0]:
            best = (solution.cost, bounded(solution.values))
    price = penalty(problem.driver) - penalty(before.driver)
    gains = ideal.leaves_structure or was - best[0] > 0.5 * price
    return Attempt(Settled(problem, best[1], ideal.misfits, ideal.misfits_over_noise), gains)


def _starts(ideal: Settled, mechanics: Mechanics, coil: CoilModel) -> list[FloatArray]:
    """Starting vectors of a model with laws, from the fit of the coil without.

    A closed former is seen in the coil as a section of a ladder: where the coil has a section
    less, each in turn becomes the ring.
    """
    driver, theta = ideal.problem.driver, ideal.theta
    first = driver.columns[-1] + 1  # the laws stand behind the coil
    head, tail = theta[: driver.coil_columns[0]], theta[first:]
    own = theta[driver.coil_columns]
    if coil is driver.coil:
        heads = [mechanics.as_seen(head, law) for law in mechanics.starts]
        return [
            np.concatenate([alone, own, law, tail])
            for alone, law in zip(heads, mechanics.starts, strict=True)
        ]
    starts = []
    for section in range(1, own.size, 2):
        L, R = np.exp(own[section : section + 2])
        rest = np.delete(own, [section, section + 1])
        for law in mechanics.starts:
            ring = np.array([law[-3], theta[2] + math.log(L / R), math.log(R)])
            starts.append(np.concatenate([head, rest, law[:-3], ring, tail]))
    return starts


def _beside(coil: CoilModel, mechanics: Mechanics) -> CoilModel:
    """Coil to try beside laws: one section less than before where a closed ring takes its place."""
    simpler = SECTION_LESS.get(coil.name) if mechanics.former is not None else None
    return coil if simpler is None else coil_named(simpler)


def coil_named(name: str) -> CoilModel:
    """Coil model by its name."""
    return next(coil for coil in COILS if coil.name == name)
