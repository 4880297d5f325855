"""Scatter of several takes of one unit in one condition."""

from __future__ import annotations

import math

import numpy as np

from fit.given.measured import FreeAir
from fit.given.prior_widths import REPEAT_WEIGHT
from fit.problem.joint_problem import Problem
from fit.problem.settle import Settled, settle, to_all_digits


def with_repeatability(fitted: Settled) -> tuple[Settled, float]:
    """Fit again with the scatter that the free-air takes show among themselves.

    A few takes show their scatter badly: a prior scatter counts for `REPEAT_WEIGHT` of them.

    Returns:
        The fit under the scatter seen, and its degrees of freedom; with a single take in free air
        the same fit, and infinity.
    """
    problem = fitted.problem
    free = [take for take in problem.takes if isinstance(take.measured.condition, FreeAir)]
    if len(free) == 1:
        return fitted, math.inf
    freedom = REPEAT_WEIGHT + len(free) - 1
    scatter = {}
    for kind, expected in problem.repeat.items():
        seen = fitted.theta[[take.departures[kind] for take in free]]
        spread = float(np.sum((seen - np.mean(seen)) ** 2))
        scatter[kind] = math.sqrt((REPEAT_WEIGHT * expected**2 + spread) / freedom)
    again = Problem(
        [take.measured for take in problem.takes],
        problem.session,
        problem.driver.coil,
        problem.driver.mechanics,
        scatter,
    )
    return to_all_digits(settle(again, fitted.theta)), freedom
