"""Iteratively reweighted least squares: weights and residuals brought to agree.

One loop for drivers, boxes and parts. What a model fails to follow becomes a variance beside the
noise; the variance weighs the next fit, until it changes no more.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Generic, Protocol, Self, TypeVar

import numpy as np

from fit.numerics.least_squares import least_squares
from meas.curve import FloatArray

ROUGH = 0.02
"""Relative model error assumed before the residuals have shown one."""
_LOWER = 0.7
"""Part of an assumed model error below which a smaller one is tried."""


class Weighted(Protocol):
    """A least-squares problem under variances of its curves; it never changes."""

    variance: list[FloatArray]
    """Variance per component of each point [ohm2], one array for each curve."""

    def residual(self, theta: FloatArray) -> FloatArray:
        """Rows in units of their standard deviations, shape (m,)."""
        ...

    def jacobian(self, theta: FloatArray) -> FloatArray:
        """Derivatives of the rows, shape (m, p)."""
        ...

    def weighted(self, variance: list[FloatArray]) -> Self:
        """Copy the problem with other variances."""
        ...

    def with_errors_on(self, theta: FloatArray) -> Self:
        """Copy the problem with common errors stated on the model instead of noisy data."""
        ...


P = TypeVar("P", bound=Weighted)
F = TypeVar("F")


@dataclass(frozen=True)
class Reweighting(Generic[P, F]):
    """Rule by which the weights of a kind of problem follow from its residuals.

    Attributes:
        rough: Problem and relative model error, one for all points, to variances.
        relative_misfit: Problem and parameters to the relative model error that the residuals show.
        local: Problem and parameters to variances with a model error that varies along frequency,
            and the model errors themselves.
        bounded: Parameters to the nearest ones that mean something.
        rounds: Greatest number of fits in each of the two stages.
        close: Relative change of a variance from which another fit is due.
        tolerance: Tolerance of each fit, as for `least_squares`.
        worth: Change of cost at which each fit stops, as for `least_squares`.
        restate: Whether common errors are restated on the model after every fit, not only after
            the first.
    """

    rough: Callable[[P, float], list[FloatArray]]
    relative_misfit: Callable[[P, FloatArray], float]
    local: Callable[[P, FloatArray], tuple[list[FloatArray], F]]
    bounded: Callable[[FloatArray], FloatArray]
    rounds: int
    close: float
    tolerance: float
    worth: float
    restate: bool

    def lowered(self, problem: P, theta: FloatArray, level: float) -> tuple[P, FloatArray]:
        """Fit under one relative model error for all points, lowered until residuals show it.

        Args:
            level: First relative model error.
        """
        for round_ in range(self.rounds):
            problem = problem.weighted(self.rough(problem, level))
            theta = self.solved(problem, theta)
            if round_ == 0 or self.restate:
                problem = problem.with_errors_on(theta)
            shown = self.relative_misfit(problem, theta)
            if shown > _LOWER * level:
                break
            level = shown
        return problem, theta

    def refined(self, problem: P, theta: FloatArray) -> tuple[P, FloatArray, F]:
        """Let the model error vary along frequency, from the weights that the problem has.

        Returns:
            The problem under its last weights, its optimum, and the model errors they hold.
        """
        for _ in range(self.rounds):
            before = problem.variance
            variance, errors = self.local(problem, theta)
            problem = problem.weighted(variance)
            theta = self.solved(problem, theta)
            if self.restate:
                problem = problem.with_errors_on(theta)
            if all(
                np.max(np.abs(np.log(new / old))) < self.close
                for new, old in zip(variance, before, strict=True)
            ):
                break
        return problem, theta, errors

    def solved(self, problem: P, theta: FloatArray) -> FloatArray:
        """Optimum under the problem's weights."""
        found = least_squares(
            problem.residual,
            problem.jacobian,
            theta,
            tolerance=self.tolerance,
            worth=self.worth,
        )
        return self.bounded(found.values)
