"""Fitting a problem until its model errors agree with its residuals."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from fit.misfit import Misfit, estimate
from fit.problem import Problem
from fit.solve import least_squares

FloatArray = NDArray[np.float64]

ROUGH = 0.02
"""Relative model error assumed before the residuals have shown one."""
_ROUNDS = 5


@dataclass(frozen=True, eq=False)
class Settled:
    """A fitted problem; the problem's variances are those of the misfits.

    Attributes:
        problem: Residuals and Jacobian.
        theta: The solution, shape (p,).
        misfits: Model error of each take.
    """

    problem: Problem
    theta: FloatArray
    misfits: tuple[Misfit, ...]

    @property
    def deviance(self) -> float:
        """Minus twice the logarithm of the likelihood, up to a constant."""
        cost = float(np.sum(self.problem.residual(self.theta) ** 2))
        for take, variance in zip(self.problem.takes, self.problem.variance, strict=True):
            cost += (2 if take.is_complex else 1) * float(np.sum(np.log(variance)))
        return cost


def rough_variance(problem: Problem, relative: float = ROUGH) -> list[FloatArray]:
    """Variances of a fit that knows nothing of its model errors yet."""
    return [take.noise**2 + (relative * np.abs(take.data)) ** 2 for take in problem.takes]


def settle(problem: Problem, start: FloatArray) -> Settled:
    """Alternate between fitting and estimating the model error.

    Args:
        problem: Its variances are overwritten.
        start: Near the optimum, shape (p,).
    """
    theta = start
    problem.variance = rough_variance(problem)
    before: list[FloatArray] | None = None
    misfits: tuple[Misfit, ...] = ()
    for _ in range(_ROUNDS):
        theta = least_squares(problem.residual, problem.jacobian, theta).values
        misfits = tuple(_misfit(problem, theta, index) for index in range(len(problem.takes)))
        after = [
            take.noise**2 + misfit.variance(np.abs(take.data))
            for take, misfit in zip(problem.takes, misfits, strict=True)
        ]
        if before is not None and all(
            np.max(np.abs(np.log(new / old))) < 0.2 for new, old in zip(after, before, strict=True)
        ):
            break
        problem.variance = before = after
    theta = least_squares(problem.residual, problem.jacobian, theta).values
    return Settled(problem, theta, misfits)


def _misfit(problem: Problem, theta: FloatArray, index: int) -> Misfit:
    take = problem.takes[index]
    followers = 4 + problem.coil.size + (2 if take.departures else 0)
    shared = len(problem.takes)
    return estimate(
        take.measured.curve.frequency_hz,
        problem.raw(theta, index),
        np.abs(take.data),
        take.noise,
        max(3, round(followers / (1 if shared == 1 else 1.5))),
    )
