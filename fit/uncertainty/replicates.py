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

from fit.numerics.many_least_squares import Indices, Normal, many_least_squares
from fit.problem.columns import bounded
from fit.problem.curve_rows import as_measured, stacked
from fit.problem.joint_problem import Problem
from meas.curve import FloatArray

_CHUNK = 60_000
"""Rows of replicates worked at together: their derivatives stay near the processor's cache."""


@dataclass(frozen=True, eq=False)
class Replicates:
    """Replicated data of a problem.

    Attributes:
        data: Data of each take, shape (r, n).
        stated: Offsets of the rows of other measured values, shape (r, k).
    """

    data: Sequence[NDArray[Any]]
    stated: FloatArray

    @property
    def count(self) -> int:
        """Number of replicates."""
        return int(self.stated.shape[0])

    def of(self, which: slice | Indices) -> Replicates:
        """Select some of them."""
        return Replicates([data[which] for data in self.data], self.stated[which])


def refitted(
    problem: Problem, start: FloatArray, replicates: Replicates, worth: float = 0.0
) -> tuple[FloatArray, NDArray[np.bool_]]:
    """Fit every replicate from a common start.

    Args:
        problem: Its variances weigh the takes.
        start: Parameters of the fit to the takes themselves, shape (p,).
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
        part = replicates.of(here)

        def normal(theta: FloatArray, which: Indices, part: Replicates = part) -> Normal:
            return _normal(problem, linear, theta, part.of(which))

        starts = np.tile(start, (part.count, 1))
        theta, ended[here] = many_least_squares(normal, starts, tolerance=1e-8, worth=worth)
        found[here] = bounded(theta)
    return found, ended


class _Linear:
    """Rows of a problem that are linear, or as good as linear, in the parameters."""

    def __init__(self, problem: Problem, start: FloatArray) -> None:
        first = problem.rows_of_others.start
        self.rows = problem.jacobian(start)[first:]
        self.at_start = problem.residual(start)[first:]
        self.normal = self.rows.T @ self.rows
        self.start = start

    def residual(self, theta: FloatArray, stated: FloatArray) -> FloatArray:
        """Shape (r, k), of parameters (r, p)."""
        rows = self.at_start + (theta - self.start) @ self.rows.T
        rows[:, : stated.shape[1]] -= stated
        return rows


def _normal(problem: Problem, linear: _Linear, theta: FloatArray, replicates: Replicates) -> Normal:
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
        total, slopes = as_measured(modelled.total, modelled.slopes, phase=take.is_complex)
        factor = take.factor(theta[:, take.error_columns])
        weight = 1 / np.sqrt(variance)
        left = stacked((total * factor - data) * weight)
        columns = list(modelled.columns)
        effects = [slopes * (factor * weight)]
        for column, error in zip(take.error_columns, take.errors.T, strict=True):
            if column not in problem.shape_errors:
                columns.append(column)
                effects.append((total * error * (factor * weight))[None])
        rows = stacked(np.moveaxis(np.concatenate(effects), 0, 1))  # (r, q, rows)
        # A source that appears twice in one take must add up.
        place = np.zeros((len(columns), size))
        place[np.arange(len(columns)), columns] = 1.0
        cost += np.einsum("rm,rm->r", left, left)
        gradient += np.einsum("rqm,rm->rq", rows, left) @ place
        normal += place.T @ (rows @ np.swapaxes(rows, 1, 2)) @ place
    return cost, gradient, normal
