"""A driver's fit as lmfit's users know it: the only place where that library is used.

The search takes its steps without it (`fit.numerics.least_squares`), and nothing reported comes
from here. At the solution found, `Solution` hands the same residuals, weights, priors and analytic
derivatives to lmfit, when asked: for its reports, its correlations, its other methods, and for
intervals by profile likelihood (W. Q. Meeker, L. A. Escobar, Am. Stat. 49(1), 1995).
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING, Self

import numpy as np

from fit.numerics.covariance import covariance
from fit.problem.joint_problem import Problem
from fit.problem.reported import Extremes, derived
from fit.problem.settle import Settled
from fit.results.result import Z95, DriverFit, Estimate
from fit.uncertainty.budget import gradients
from meas.curve import FloatArray
from meas.errors import Finding

if TYPE_CHECKING:
    from lmfit import Minimizer, Parameters
    from lmfit.minimizer import MinimizerResult


PROFILED = ("Re", "fs", "Qms", "Qes", "Qts", "Le", "Mms", "Cms", "Bl", "Vas")
"""What a builder uses."""

_ORIGIN = 10.0
"""Value of the profiled parameter at the optimum: it is counted in standard uncertainties from
there, since `lmfit.conf_interval` looks for its limits to a share of the parameter's value."""
_CLOSE = 1e-6
"""Distance, in standard uncertainties, at which a quantity has the value wanted."""
_STEPS = 30
_WIDER = 0.1
"""Part of half an interval by which limits may lie beyond its ends: what 1,000 refits, or a
straight line that is trusted, leave open (`fit.uncertainty.monte_carlo`)."""
_COST = 1e-7
"""Relative change of chi-square at which a profile's refits stop."""


@dataclass(frozen=True)
class Profile:
    """A quantity's 95 % limits by the likelihood of the takes alone.

    Attributes:
        interval_95: Limits by profile likelihood; None on a side where chi-square rises too
            little.
        linear_95: Limits by linear propagation of the same errors.
    """

    interval_95: tuple[float | None, float | None]
    linear_95: tuple[float, float]


@dataclass(frozen=True, eq=False)
class Solution:
    """The least-squares problem behind a fit, at its optimum.

    Its parameters are those of `fit.problem.columns`: ``re``, ``strength``, ``resonance``,
    ``loss``, ``mass`` and ``volume`` are logarithms of Re [ohm], Bl^2/Mms [ohm rad/s], 2 pi fs
    [rad/s], Rms/Mms [rad/s], Mms [kg] and Vas [m3]. The errors of the bench are in standard
    uncertainties. Residuals are in standard deviations, so that ``scale_covar`` is off. Common
    errors that change the shape of a curve are held at zero: their part of an uncertainty is not
    in lmfit's.
    """

    settled: Settled
    at: Extremes

    @classmethod
    def of(cls, fit: DriverFit) -> Self:
        """The problem behind a fit.

        Raises:
            ValueError: If the fit was read from a file or made otherwise: it holds no takes.
        """
        if not isinstance(fit.solution, cls):
            raise ValueError("this fit holds no takes to solve again: fit them with fit_driver")
        return fit.solution

    def __getstate__(self) -> dict[str, object]:
        """Leave out what lmfit made, which holds functions and cannot be copied."""
        return {"settled": self.settled, "at": self.at}

    @cached_property
    def minimizer(self) -> Minimizer:
        """lmfit's minimizer, for its other methods and `lmfit.conf_interval`."""
        from lmfit import Minimizer

        settled = self.settled
        return Minimizer(
            lambda now: settled.problem.residual(_values(now)),
            _parameters(settled.problem, settled.theta),
            scale_covar=False,
        )

    @cached_property
    def result(self) -> MinimizerResult:
        """lmfit's result by Levenberg and Marquardt's method with the analytic Jacobian."""
        problem = self.settled.problem
        return self.minimizer.leastsq(
            Dfun=lambda now: problem.jacobian(_values(now))[:, _varied(now)], col_deriv=0
        )

    def profile(self, symbols: Sequence[str] = PROFILED) -> dict[str, Profile]:
        """Find where chi-square, least by all else, rises by 3.84: the 95 % point of one degree.

        Args:
            symbols: Reported quantities; those that the takes cannot give are left out.
        """
        problem, theta = self.settled.problem, self.settled.theta
        values = derived(problem, theta, self.at)
        C = covariance(problem.jacobian(theta)[:, problem.estimated])
        return {
            symbol: _Along(self, symbol, C).profile()
            for symbol in symbols
            if symbol in values and values[symbol][1] != "dB"
        }


def wider_than_reported(
    profiles: Mapping[str, Profile], parameters: Mapping[str, Estimate]
) -> list[Finding]:
    """Find quantities that the takes leave more open than their reported intervals say.

    Args:
        profiles: Quantity to its limits by the likelihood of the takes.
    """
    beyond = {}
    for symbol, one in profiles.items():
        low, high = parameters[symbol].interval_95
        lower, upper = one.interval_95
        if lower is None or upper is None:
            beyond[symbol] = math.inf
        else:
            beyond[symbol] = 2 * max(low - lower, upper - high) / (high - low)
    wider = [symbol for symbol, part in beyond.items() if part > _WIDER]
    if not wider:
        return []
    return [
        Finding(
            "profile-wider",
            f"the takes leave {', '.join(wider)} more open than the reported intervals say: their "
            "95 % limits by profile likelihood lie farther out. Take the wider of the two",
        )
    ]


def _values(parameters: Parameters) -> FloatArray:
    return np.array([parameter.value for parameter in parameters.values()], dtype=np.float64)


def _varied(parameters: Parameters) -> list[int]:
    return [place for place, one in enumerate(parameters.values()) if one.vary]


def _parameters(problem: Problem, theta: FloatArray) -> Parameters:
    from lmfit import Parameters

    parameters = Parameters()
    for column, (name, value) in enumerate(zip(problem.names, theta, strict=True)):
        known = re.sub(r"[^0-9A-Za-z]+", "_", name)
        while known in parameters:
            known += "_"
        parameters.add(known, value=float(value), vary=column not in problem.shape_errors)
    return parameters


class _Along:
    """The problem with one parameter replaced by the logarithm of a quantity.

    The parameter that the quantity leans on most is solved for.

    Args:
        C: Covariance of the parameters that the fit estimates.
    """

    def __init__(self, solution: Solution, symbol: str, C: FloatArray) -> None:
        self.problem, self.theta = solution.settled.problem, solution.settled.theta
        self.symbol, self.at = symbol, solution.at
        self.value = derived(self.problem, self.theta, self.at)[symbol][0]
        estimated = self.problem.estimated
        (slopes,) = gradients(self.problem, self.theta, self.at, [symbol])
        own = slopes[estimated]
        self.size = math.sqrt(float(own @ C @ own))
        self.columns = [int(column) for column in np.flatnonzero(slopes)]
        self.column = estimated[int(np.argmax(np.abs(own) * np.sqrt(np.diag(C))))]

    def profile(self) -> Profile:
        from lmfit import Minimizer, conf_interval

        parameters = _parameters(self.problem, self.theta)
        name = list(parameters)[self.column]
        parameters[name].value = _ORIGIN
        minimizer = Minimizer(
            lambda now: self.problem.residual(self._theta(_values(now))),
            parameters,
            scale_covar=False,
            Dfun=lambda now: self._jacobian(_values(now))[:, _varied(now)],
            col_deriv=0,
            ftol=_COST,
        )
        limits = conf_interval(
            minimizer, minimizer.leastsq(), [name], sigmas=[0.95], prob_func=_probability
        )[name]
        low, high = (
            self.value * math.exp(self.size * (limit - _ORIGIN)) if math.isfinite(limit) else None
            for limit in (limits[0][1], limits[-1][1])
        )
        reach = math.exp(Z95 * self.size)
        return Profile((low, high), (self.value / reach, self.value * reach))

    def _logarithm(self, theta: FloatArray) -> float:
        return math.log(derived(self.problem, theta, self.at)[self.symbol][0])

    def _theta(self, values: FloatArray) -> FloatArray:
        """Parameters of the problem at which the quantity has the value wanted."""
        wanted = math.log(self.value) + self.size * (values[self.column] - _ORIGIN)
        theta = values.copy()
        theta[self.column] = self.theta[self.column]
        slope = self._slopes(theta)[self.column]
        off = wanted - self._logarithm(theta)
        for _ in range(_STEPS):
            if abs(off) <= _CLOSE * self.size:
                break
            step = off / slope
            theta[self.column] += step
            left = wanted - self._logarithm(theta)
            slope, off = (off - left) / step, left
        return theta

    def _slopes(self, theta: FloatArray) -> FloatArray:
        (slopes,) = gradients(self.problem, theta, self.at, [self.symbol], self.columns)
        return np.asarray(slopes)

    def _jacobian(self, values: FloatArray) -> FloatArray:
        """Derivatives by the quantity and by all others at constant quantity."""
        theta = self._theta(values)
        slopes = self._slopes(theta)
        jacobian = self.problem.jacobian(theta)
        along = jacobian[:, self.column] / slopes[self.column]
        jacobian = jacobian - np.outer(along, slopes)
        jacobian[:, self.column] = along * self.size
        return jacobian


def _probability(best: MinimizerResult, now: MinimizerResult) -> float:
    """Share of the chi-square distribution of one degree below the rise from the optimum."""
    from scipy.special import chdtr

    return float(chdtr(1, max(now.chisqr - best.chisqr, 0.0)))
