"""The coil's resistance by a multimeter against what the bench makes of it."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from fit.given.measured import Stated
from fit.given.standards import COPPER_PER_KELVIN
from fit.numerics.covariance import covariance
from fit.problem.joint_problem import Problem
from fit.results.error_sources import RANDOM
from meas.curve import FloatArray
from meas.errors import Finding

WARNS = 2.0
"""Difference over its standard uncertainty from which the two are doubted."""
_RANDOM = 2.0
"""Standard uncertainties of noise that count as its limit."""


def against_bench(problem: Problem, theta: FloatArray) -> list[Finding]:
    """Compare meter and bench, which share nothing but the coil.

    Every stated error is a limit, so that healthy ones differ by no more than the sum of all
    limits: beyond it something is there that nobody stated, such as another resistor. Before that
    the difference is doubtful from two standard uncertainties on.

    Args:
        problem: The takes with all that was measured beside them.
        theta: Parameters of the fit, shape (p,).
    """
    meter = problem.session.measured_re
    if meter is None:
        return []
    seen = _difference(problem, theta, meter)
    if abs(seen.tension) < WARNS:
        return []
    return [
        Finding(
            "unknown-resistor",
            f"the multimeter says {meter.value:.4g} ohm for the coil, the bench "
            f"{seen.bench_ohm:.4g} ohm: {abs(seen.tension):.1f} times the uncertainty of both",
            refuses=seen.beyond_limits,
            next_step=(
                "Take off all else that hangs at the driver or its terminals, measure the series "
                "resistor, take the leads of the meter off its reading, and calibrate anew"
            ),
        )
    ]


@dataclass(frozen=True)
class _Difference:
    """Coil by the bench alone, and the difference to the meter.

    Attributes:
        bench_ohm: Resistance by the bench alone [ohm].
        tension: The difference over its standard uncertainty.
        beyond_limits: Whether it exceeds the sum of all limits.
    """

    bench_ohm: float
    tension: float
    beyond_limits: bool


def _difference(problem: Problem, theta: FloatArray, meter: Stated) -> _Difference:
    """Residual of the meter's row, in units of the meter's standard uncertainty."""
    rows = next(r for r in problem.rows if r.source == meter.source)
    jacobian = problem.jacobian(theta)
    row = jacobian[rows.first]
    reach = row @ covariance(jacobian)
    free = max(1 - float(reach @ row), 1e-9)
    residual = float(problem.residual(theta)[rows.first])
    of_shape = [
        abs(float(reach @ (jacobian.T @ effect)))
        for effect in problem.shape_error_effects(theta).values()
    ]
    tension = residual / math.sqrt(free + sum(part * part for part in of_shape))
    stated, random = free + sum(of_shape), 0.0
    for other in problem.rows:
        pull = jacobian[other.first : other.last] @ reach
        if other.source.startswith(RANDOM):
            random += float(np.sum(pull**2))
        elif other is not rows:
            stated += float(np.sum(np.abs(pull)))
    one = meter.standard_uncertainty / meter.value
    warmed = free * COPPER_PER_KELVIN / one  # by a kelvin, between the meter and the take
    limit = math.sqrt(3.0) * stated + _RANDOM * math.sqrt(random) + warmed
    # Without the multimeter's pull the bench would have said:
    bench = meter.value * math.exp(residual / free * one)
    return _Difference(bench, tension, abs(residual) > limit)
