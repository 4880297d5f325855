"""Many refits of one problem at once: the parametric bootstrap.

Replicates of the takes are fitted as the takes were, by Levenberg and Marquardt's method, all
together in arrays (B. Efron, R. J. Tibshirani, An Introduction to the Bootstrap, 1993, ch. 6.5).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from fit.problem.joint_problem import Problem, bounded

FloatArray = NDArray[np.float64]

_CHUNK = 60_000
"""Rows of replicates worked at together: their derivatives stay near the processor's cache."""
_ROUNDS = 60
_DAMPING = 1e-6
_MOST = 1e10


@dataclass(frozen=True, eq=False)
class Replicates:
    """Replicated data of a problem.

    Attributes:
        data: Of each take, like its data, shape (r, n).
        stated: What the rows of the other measured values are off by, shape (r, k).
    """

    data: Sequence[NDArray[Any]]
    stated: FloatArray

    @property
    def count(self) -> int:
        """Number of replicates."""
        return int(self.stated.shape[0])


def refitted(
    problem: Problem,
    start: FloatArray,
    replicates: Replicates,
    tolerance: float = 1e-8,
    worth: float = 0.0,
) -> tuple[FloatArray, NDArray[np.bool_]]:
    """The optimum of every replicate that is reached from a common start.

    Args:
        problem: Its variances weigh the takes.
        start: Parameters of the fit to the takes themselves, shape (p,).
        replicates: The data.
        tolerance: Relative change of chi-square and of parameters at which to stop.
        worth: Gain in chi-square that is not worth another step.

    Returns:
        Parameters, shape (r, p), and whether each refit ended, shape (r,).
    """
    linear = _Linear(problem, start)
    found = np.empty((replicates.count, problem.size))
    ended = np.zeros(replicates.count, dtype=bool)
    together = max(1, _CHUNK // problem.rows[-1].last)
    for first in range(0, replicates.count, together):
        here = slice(first, first + together)
        part = Replicates([data[here] for data in replicates.data], replicates.stated[here])
        found[here], ended[here] = _chunk(problem, linear, start, part, tolerance, worth)
    return found, ended


class _Linear:
    """Rows of a problem that are linear, or as good as linear, in the parameters."""

    def __init__(self, problem: Problem, start: FloatArray) -> None:
        first = problem.rows[len(problem.takes)].first
        count = sum(1 for row in problem.rows[len(problem.takes) :] if row.sign > 0)
        self.rows = problem.jacobian(start)[first:]
        self.at_start = problem.residual(start)[first:]
        self.stated = slice(0, count)
        self.normal = self.rows.T @ self.rows
        self.start = start

    def residual(self, theta: FloatArray, stated: FloatArray) -> FloatArray:
        """Shape (r, k), of parameters (r, p)."""
        rows = self.at_start + (theta - self.start) @ self.rows.T
        rows[:, self.stated] -= stated
        return rows


def _chunk(
    problem: Problem,
    linear: _Linear,
    start: FloatArray,
    replicates: Replicates,
    tolerance: float,
    worth: float,
) -> tuple[FloatArray, NDArray[np.bool_]]:
    count, size = replicates.count, problem.size
    theta = np.tile(start, (count, 1))
    damping, growth = np.full(count, _DAMPING), np.full(count, 2.0)
    cost, gradient, normal = _system(problem, linear, theta, replicates)
    open_ = np.ones(count, dtype=bool)
    identity = np.eye(size)
    for _ in range(_ROUNDS):
        here = np.flatnonzero(open_)
        scale = np.sqrt(np.einsum("rpp->rp", normal[here]))
        scale = np.where(scale > 0, scale, 1.0)
        damped = normal[here] / (scale[:, :, None] * scale[:, None, :])
        damped += damping[here, None, None] * identity
        step = -np.linalg.solve(damped, (gradient[here] / scale)[:, :, None])[:, :, 0]
        predicted = np.sum(step * (damping[here, None] * step - gradient[here] / scale), axis=1)
        trial = theta[here] + step / scale
        part = Replicates([data[here] for data in replicates.data], replicates.stated[here])
        new, new_gradient, new_normal = _system(problem, linear, trial, part)
        gain = np.where(predicted > 0, (cost[here] - new) / predicted, -1.0)
        better = np.isfinite(new) & (gain > 0)
        small = np.linalg.norm(step, axis=1) <= tolerance * np.linalg.norm(
            scale * theta[here], axis=1
        )
        little = np.maximum(tolerance * cost[here], worth)
        flat = (predicted <= little) & (np.abs(cost[here] - new) <= little)
        up, down = here[better], here[~better]
        theta[up], cost[up] = trial[better], new[better]
        gradient[up], normal[up] = new_gradient[better], new_normal[better]
        damping[up] *= np.maximum(1 / 3, 1 - (2 * gain[better] - 1) ** 3)
        growth[up] = 2.0
        damping[down] *= growth[down]
        growth[down] *= 2
        open_[here[small | flat | (damping[here] > _MOST)]] = False
        if not np.any(open_):
            break
    return bounded(theta), ~open_


def _system(
    problem: Problem, linear: _Linear, theta: FloatArray, replicates: Replicates
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Chi-square (r,), half its gradient (r, p) and normal matrices (r, p, p)."""
    count, size = theta.shape
    rest = linear.residual(theta, replicates.stated)
    cost = np.einsum("rk,rk->r", rest, rest)
    gradient = rest @ linear.rows
    normal = np.tile(linear.normal, (count, 1, 1))
    takes = zip(
        problem.takes,
        problem.variance,
        replicates.data,
        problem.modelled_together(theta),
        strict=True,
    )
    for take, variance, data, modelled in takes:
        total, slopes = modelled.total, modelled.slopes
        if not take.is_complex:
            slopes = np.real(slopes * (total.conj() / np.abs(total)))
            total = np.abs(total)
        factor = take.factor(theta[:, take.error_columns])
        weight = 1 / np.sqrt(variance)
        residual = (total * factor - data) * weight
        columns = list(modelled.columns)
        effects = [slopes * (factor * weight)]
        estimated = [
            (column, error)
            for column, error in zip(take.error_columns, take.errors.T, strict=True)
            if column not in problem.considered
        ]
        columns += [column for column, _ in estimated]
        effects += [(total * error * (factor * weight))[None] for _, error in estimated]
        stacked = _real(np.moveaxis(np.concatenate(effects), 0, 1))  # (r, q, rows)
        left = _real(residual)
        # A source that appears twice in one take must add up.
        place = np.zeros((len(columns), size))
        place[np.arange(len(columns)), columns] = 1.0
        cost += np.einsum("rm,rm->r", left, left)
        gradient += np.einsum("rqm,rm->rq", stacked, left) @ place
        normal += place.T @ (stacked @ np.swapaxes(stacked, 1, 2)) @ place
    return cost, gradient, normal


def _real(values: NDArray[Any]) -> FloatArray:
    if np.iscomplexobj(values):
        return np.concatenate([values.real, values.imag], axis=-1)
    return np.asarray(values, dtype=np.float64)
