"""Fitting a driver's problem until its model errors agree with its residuals."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from fit.numerics.least_squares import least_squares
from fit.problem import shape_errors
from fit.problem.columns import bounded
from fit.problem.joint_problem import Problem
from fit.problem.misfit import Misfit
from fit.problem.reweighting import ROUGH, Reweighting
from meas.curve import FloatArray

_TRIES = 40
_BETTER = 0.1
"""Gain in chi-square from which an optimum is another one."""
_ON_THE_WAY, _AT_THE_END = 0.01, 1e-3
"""Gain in chi-square not worth another step, between rounds and for a candidate."""


@dataclass(frozen=True, eq=False)
class Settled:
    """A fitted problem, under the variances of its model errors.

    Attributes:
        theta: The solution, shape (p,).
        misfits: Model error of each take beyond noise and errors of shape.
        misfits_over_noise: Model error of each take beyond noise alone.
    """

    problem: Problem
    theta: FloatArray
    misfits: tuple[Misfit, ...]
    misfits_over_noise: tuple[Misfit, ...]

    def without_memory(self) -> Settled:
        """Copy it without what the problem last computed, to be kept for long."""
        return replace(self, problem=self.problem.without_memory())

    @property
    def misfit(self) -> float:
        """Root mean square of the relative model error over all takes."""
        return math.sqrt(sum(m.level**2 for m in self.misfits) / len(self.misfits))

    @property
    def freedom(self) -> float:
        """Degrees of freedom of `scatter`; without a model error the noise is all, and known.

        Tables of readings each have a scatter of their own, which is known no better than by the
        points that the parameters leave over in that table.
        """
        own = [m.freedom for m in self.misfits_over_noise if m.level > 0]
        if not own:
            return math.inf
        return min(own) if self.problem.of_readings else sum(own)

    @property
    def leaves_structure(self) -> bool:
        """Tell whether residuals repeat each other somewhere, by more than the noise."""
        return any(m.structured for m in self._beyond_noise)

    @property
    def scatters(self) -> bool:
        """Tell whether readings scatter by more than their digits say."""
        return self.problem.of_readings and bool(self._beyond_noise)

    @property
    def _beyond_noise(self) -> list[Misfit]:
        return [
            misfit
            for take, misfit in zip(self.problem.takes, self.misfits, strict=True)
            if misfit.level > float(np.sqrt(np.mean((take.noise / take.magnitude) ** 2)))
        ]

    @property
    def scatter(self) -> list[FloatArray]:
        """Variance of noise and model error, by which models are compared.

        What an error of shape may explain is no model error, but no reason for a larger model
        either. It is known to first order only, and drivers depart from every model by as little.
        """
        return shape_errors.scatter(self.problem, self.misfits_over_noise)

    @property
    def deviance(self) -> float:
        """Minus twice the logarithm of the likelihood, up to a constant."""
        variances = self.scatter
        judged = self.problem.weighted(variances)
        cost = float(np.sum(judged.residual(self.theta) ** 2))
        for take, variance in zip(self.problem.takes, variances, strict=True):
            cost += take.components * float(np.sum(np.log(variance)))
        return cost


def rough_variance(problem: Problem, relative: float = ROUGH) -> list[FloatArray]:
    """Variances under an assumed model error, the same share of |Z| everywhere."""
    return [
        take.noise**2 + (relative * take.magnitude) ** 2 + problem.shape_error_variance(index)
        for index, take in enumerate(problem.takes)
    ]


def relative_misfit(problem: Problem, theta: FloatArray) -> float:
    """Root mean square of the residual over |Z| beyond its noise, over all takes."""
    squares, noise = [], []
    for index, take in enumerate(problem.takes):
        squares.append((np.abs(problem.raw(theta, index)) / take.magnitude) ** 2 / take.components)
        noise.append((take.noise / take.magnitude) ** 2)
    square, floor = np.concatenate(squares), np.concatenate(noise)
    return math.sqrt(max(float(np.mean(square - floor)), 0.01 * float(np.min(floor)), 1e-16))


_Misfits = tuple[tuple[Misfit, ...], tuple[Misfit, ...]]


def _local_variance(problem: Problem, theta: FloatArray) -> tuple[list[FloatArray], _Misfits]:
    misfits = shape_errors.misfits(problem, theta)
    scatter = shape_errors.scatter(problem, misfits[0])
    return [
        variance + problem.shape_error_variance(index) for index, variance in enumerate(scatter)
    ], misfits


_REWEIGHTING = Reweighting[Problem, _Misfits](
    rough=rough_variance,
    relative_misfit=relative_misfit,
    local=_local_variance,
    bounded=bounded,
    rounds=6,
    close=0.2,
    tolerance=1e-6,
    worth=_ON_THE_WAY,
    restate=False,
)


def settle(problem: Problem, start: FloatArray) -> Settled:
    """Alternate between fitting and estimating the model error.

    The model error is first taken as one share of |Z| for all points, lowered until the residual
    bears it out; only then may it vary along frequency. The other way round a poor first fit
    would excuse itself where it is poor.
    """
    # A start that follows the takes closely is not to be lost in the wide valleys of a rough fit.
    level = min(ROUGH, relative_misfit(problem, start))
    return _refined(*_REWEIGHTING.lowered(problem, start, level))


def _refined(problem: Problem, theta: FloatArray) -> Settled:
    """Let the model error vary along frequency, and fit to the end under it."""
    problem, theta, misfits = _REWEIGHTING.refined(problem, theta)
    return Settled(problem, _solved(problem, theta, 1e-8, _AT_THE_END), *misfits)


def polished(settled: Settled) -> Settled:
    """Look for a better optimum beside the one found, under its weights.

    Where a coil shows little, two shapes of it may each have a valley; the rough weights of the
    first fit do not tell them apart.
    """
    problem = settled.problem
    best = float(np.sum(problem.residual(settled.theta) ** 2))
    found = None
    for column in problem.driver.columns[1:]:
        for step in (-1.0, 1.0):
            start = settled.theta.copy()
            start[column] += step
            trial = least_squares(
                problem.residual,
                problem.jacobian,
                start,
                tolerance=1e-8,
                worth=_ON_THE_WAY,
                evaluations=_TRIES,
            )
            if trial.cost < best - _BETTER:
                best, found = trial.cost, bounded(trial.values)
    if found is not None:
        settled = _refined(problem, found)
    return to_all_digits(settled)


def to_all_digits(settled: Settled) -> Settled:
    """Solve a fit to all digits under its weights, for what is to be reported."""
    return replace(settled, theta=_solved(settled.problem, settled.theta, 1e-10))


def _solved(
    problem: Problem, start: FloatArray, tolerance: float, worth: float = 0.0
) -> FloatArray:
    found = least_squares(
        problem.residual, problem.jacobian, start, tolerance=tolerance, worth=worth
    )
    return bounded(found.values)
