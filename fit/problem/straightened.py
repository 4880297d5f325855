"""What a fit leaves over once the errors that bend a curve have taken their part.

Such errors keep the value zero in a fit (`Problem`). What they may explain, within their own
uncertainty, is still no reason for a larger model, nor a model error: the budget holds what they
do to every parameter already.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from fit.problem.joint_problem import Problem
from fit.problem.misfit import Misfit, estimate

FloatArray = NDArray[np.float64]

_ROUNDS = 8
_CLOSE = 0.1
"""Relative change of a model error that calls for no further round."""


def cost(problem: Problem, theta: FloatArray) -> float:
    """Chi-square at its least by parameters and bending errors, to first order.

    Args:
        problem: Residuals and Jacobian.
        theta: The optimum without bending errors, shape (p,).
    """
    left = problem.residual(theta)
    slopes, bent = _slopes(problem, theta)
    if not bent:
        return float(left @ left)
    straight, _ = _straightened(slopes, left)
    return float(straight @ straight)


def misfits(problem: Problem, theta: FloatArray) -> tuple[tuple[Misfit, ...], tuple[Misfit, ...]]:
    """Model error of each take beyond its noise and what bends it, and beyond its noise alone.

    Where there is something to straighten, it is found by the residuals to first order in rounds,
    each under the weights of the last, at first of the noise alone.

    Args:
        problem: Residuals and Jacobian.
        theta: The optimum without bending errors, shape (p,).
    """
    slopes, bent = _slopes(problem, theta)
    left = problem.residual(theta)
    raw = _misfits(problem, left, _straightened(slopes, left)[1])
    if not bent or not any(misfit.level for misfit in raw):
        return raw, raw
    found = (Misfit(np.zeros(1), 1.0, float("inf")),) * len(problem.takes)
    for _ in range(_ROUNDS):
        weights = np.ones(left.size)
        for rows, before, now in zip(
            problem.rows, problem.variance, scatter(problem, found), strict=False
        ):
            weights[rows.first : rows.last].reshape(-1, now.size)[:] = np.sqrt(before / now)
        straight, taken = _straightened(slopes * weights[:, None], left * weights)
        last, found = found, _misfits(problem, straight / weights, taken)
        if all(
            abs(new.level - old.level) <= _CLOSE * old.level
            for new, old in zip(found, last, strict=True)
        ):
            break
    # Far from straight, a step to first order may leave more than there was.
    return min(found, raw, key=lambda some: sum(one.level**2 for one in some)), raw


def scatter(problem: Problem, found: Sequence[Misfit]) -> list[FloatArray]:
    """Variance of noise and model error for each take [ohm2].

    Args:
        problem: Of the takes.
        found: Model error of each.
    """
    return [
        take.noise**2 + misfit.weighing_variance(take.magnitude)
        for take, misfit in zip(problem.takes, found, strict=True)
    ]


def _slopes(problem: Problem, theta: FloatArray) -> tuple[FloatArray, bool]:
    """Derivatives of the residuals, by the bending errors too, and whether there are any."""
    slopes = problem.jacobian(theta)
    effects = problem.considered_effects(theta)
    for source, effect in effects.items():
        slopes[:, problem.error_columns[source]] += effect
    return slopes, bool(effects)


def _straightened(slopes: FloatArray, left: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Residuals after the step that makes their squares least, and the leverage of each row."""
    scale = np.sqrt(np.einsum("mp,mp->p", slopes, slopes))
    basis, _ = np.linalg.qr(slopes / np.where(scale > 0, scale, 1.0))
    return left - basis @ (basis.T @ left), np.einsum("mp,mp->m", basis, basis)


def _misfits(problem: Problem, left: FloatArray, taken: FloatArray) -> tuple[Misfit, ...]:
    found = []
    for take, rows, variance in zip(problem.takes, problem.rows, problem.variance, strict=False):
        parts = left[rows.first : rows.last].reshape(-1, take.data.size) * np.sqrt(variance)
        found.append(
            estimate(
                take.measured.curve.frequency_hz,
                parts[0] + 1j * parts[1] if take.is_complex else parts[0],
                take.magnitude,
                take.noise,
                taken[rows.first : rows.last].reshape(-1, take.data.size).mean(axis=0),
                stated=take.measured.curve.standard_uncertainty_ohm is not None,
            )
        )
    return tuple(found)
