"""Residual of a fit once the common errors that change a curve's shape took their part.

Such errors keep the value zero in a fit (`fit.problem.joint_problem`). What they may explain,
within their own uncertainty, is still no reason for a larger model, nor a model error: the budget
holds what they do to every parameter already.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from fit.problem.joint_problem import Problem
from fit.problem.misfit import Misfit, estimate
from meas.curve import FloatArray

_ROUNDS = 8
_CLOSE = 0.1
"""Relative change of a model error that calls for no further round."""

_WELL_APART = 1e-4
"""Least part of a column of length one that the others leave over, from which products will do."""


def cost(problem: Problem, theta: FloatArray) -> float:
    """Chi-square at its least by parameters and errors of shape, to first order.

    Args:
        theta: The optimum without errors of shape, shape (p,).
    """
    left = problem.residual(theta)
    slopes, any_error = _slopes(problem, theta)
    if not any_error:
        return float(left @ left)
    left_after, _ = _projected(slopes, left)
    return float(left_after @ left_after)


def misfits(problem: Problem, theta: FloatArray) -> tuple[tuple[Misfit, ...], tuple[Misfit, ...]]:
    """Model error of each take beyond noise and errors of shape, and beyond noise alone.

    Errors of shape are removed from the residuals to first order in rounds, each under the
    weights of the last, at first of the noise alone.

    Args:
        theta: The optimum without errors of shape, shape (p,).
    """
    slopes, any_error = _slopes(problem, theta)
    left = problem.residual(theta)
    raw = _misfits(problem, left, _projected(slopes, left)[1])
    if not any_error or not any(misfit.level for misfit in raw):
        return raw, raw
    found = (Misfit(np.zeros(1), 1.0, float("inf")),) * len(problem.takes)
    for _ in range(_ROUNDS):
        weights = np.ones(left.size)
        for rows, before, now in zip(
            problem.rows, problem.variance, scatter(problem, found), strict=False
        ):
            weights[rows.first : rows.last].reshape(-1, now.size)[:] = np.sqrt(before / now)
        left_after, taken = _projected(slopes * weights[:, None], left * weights)
        last, found = found, _misfits(problem, left_after / weights, taken)
        if all(
            abs(new.level - old.level) <= _CLOSE * old.level
            for new, old in zip(found, last, strict=True)
        ):
            break
    # Far from linear, a step to first order may leave more than there was.
    return min(found, raw, key=lambda some: sum(one.level**2 for one in some)), raw


def scatter(problem: Problem, found: Sequence[Misfit]) -> list[FloatArray]:
    """Variance of noise and model error for each take [ohm2]."""
    return [
        take.noise**2 + misfit.weighing_variance(take.magnitude)
        for take, misfit in zip(problem.takes, found, strict=True)
    ]


def _slopes(problem: Problem, theta: FloatArray) -> tuple[FloatArray, bool]:
    """Derivatives of the residuals, by errors of shape too, and whether there are any of these."""
    slopes = problem.jacobian(theta)
    effects = problem.shape_error_effects(theta)
    for source, effect in effects.items():
        slopes[:, problem.error_columns[source]] += effect
    return slopes, bool(effects)


def _projected(slopes: FloatArray, left: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Residuals after the step that makes their squares least, and the leverage of each row."""
    scale = np.sqrt(np.einsum("mp,mp->p", slopes, slopes))
    basis = _orthogonal(slopes / np.where(scale > 0, scale, 1.0))
    return left - basis @ (basis.T @ left), np.einsum("mp,mp->m", basis, basis)


def _orthogonal(columns: FloatArray) -> FloatArray:
    """Orthonormal columns that span the same, shape (m, p), of columns of length one.

    By the Cholesky factor of their products in a third of the time, where that loses no digits that
    matter: it squares the condition number (A. Bjorck, Numerical Methods for Least Squares
    Problems, SIAM 1996, section 2.2; from memory).
    """
    try:
        factor = np.linalg.cholesky(columns.T @ columns)
    except np.linalg.LinAlgError:
        factor = np.zeros((1, 1))
    if np.min(np.diag(factor)) < _WELL_APART:
        return np.linalg.qr(columns)[0]
    return np.asarray(columns @ np.linalg.inv(factor).T)


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
