"""Starting values of Mms and Vas, from loaded takes and the fitted free-air state."""

from __future__ import annotations

import math

import numpy as np

from fit.given.measured import AddedMass, FreeAir
from fit.problem.joint_problem import Problem
from meas.curve import FloatArray
from meas.errors import Refused

_FACTORS = np.geomspace(0.1, 30.0, 300)
LEAST_SHIFT = 1.03
"""Least factor on inertia or stiffness (1.5 % in resonance) that a condition must show.

Less is within the drift of a suspension between two takes.
"""


_LIKE = 0.25
"""Greatest logarithm of stiffness between free-air takes of one unit (break-in included)."""


def _best_factor(
    problem: Problem, theta: FloatArray, take: int, *, heavier: bool
) -> tuple[float, float]:
    """Find the factor on inertia (or else stiffness) that follows a take best, and its misfit.

    Args:
        theta: Free-air state in its first columns.
    """
    this = problem.takes[take]
    still = problem.driver.blocked(this.s, theta)
    factor = _FACTORS[:, None]
    motion = problem.driver.motion
    moving = (
        motion(this.s, theta, inertia=factor)
        if heavier
        else motion(this.s, theta, stiffer=factor - 1)
    )
    total = np.asarray(still + moving)
    modelled = total if this.is_complex else np.abs(total)
    costs = np.sum(np.abs(modelled / this.data - 1) ** 2, axis=1)
    best = int(np.argmin(costs))
    return float(_FACTORS[best]), float(costs[best])


def start(problem: Problem, free: FloatArray) -> FloatArray:
    """Extend the free-air state to a starting vector of the joint problem.

    Args:
        free: Free-air state, coil and laws, shape (4 + their size,).

    Raises:
        Refused: ``wrong-condition`` when a take shows no sign of its mass or box,
            ``unit-changed`` when a free-air take is unlike the others.
    """
    theta = np.zeros(problem.size)
    theta[: free.size] = free
    masses: list[float] = []
    volumes: list[float] = []
    for index, take in enumerate(problem.takes):
        condition = take.measured.condition
        if isinstance(condition, FreeAir):
            factor, _ = _best_factor(problem, theta, index, heavier=False)
            if take.departures and abs(math.log(factor)) > _LIKE:
                raise Refused.because(
                    "unit-changed",
                    f"resonates at {math.sqrt(factor):.2f} of the other free-air take; is it of "
                    "the same unit, and was nothing added?",
                    where=take.measured.source,
                )
            continue
        heavier = isinstance(condition, AddedMass)
        factor, cost = _best_factor(problem, theta, index, heavier=heavier)
        other, other_cost = _best_factor(problem, theta, index, heavier=not heavier)
        moved = factor ** (-0.5 if heavier else 0.5)
        if other > LEAST_SHIFT and other_cost < 0.3 * cost:  # the other condition explains it
            factor, moved = 0.0, other ** (0.5 if heavier else -0.5)
        if factor < LEAST_SHIFT:
            raise Refused.because(
                "wrong-condition", _without_sign(heavier, moved), where=take.measured.source
            )
        if isinstance(condition, AddedMass):
            masses.append(math.log(condition.mass.value / (factor - 1)))
        else:
            volumes.append(math.log(condition.volume.value * (factor - 1)))
    if problem.mass_column is not None:
        theta[problem.mass_column] = (
            float(np.median(masses)) if masses else math.log(problem.stated.weighed_mass(theta))
        )
    if problem.volume_column is not None:
        theta[problem.volume_column] = float(np.median(volumes))
    return theta


def _without_sign(heavier: bool, moved: float) -> str:
    seen = f"its resonance lies at {moved:.2f} of free air"
    if heavier:
        return (
            f"stated to carry an added mass, but {seen}, not 1.5 % or more below. Was the mass on "
            "the cone, is it large enough (a quarter of the moving mass or more), and are the "
            "takes not swapped?"
        )
    return (
        f"stated to sit on a test box, but {seen}, not 1.5 % or more above. Does the driver "
        "close the box tightly, and are the takes not swapped?"
    )
