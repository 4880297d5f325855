"""A driver's fit as an lmfit problem, for those who know that library: the only place that does.

The fit itself takes its steps without it (`fit.numerics.least_squares`). Here the same residuals,
weights and priors stand behind `lmfit.Minimizer`, at the solution found, for its other methods, its
confidence intervals and its reports.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from fit.given.measured import MeasuredCurve, Session
from fit.joint import AUTO, chosen
from fit.problem.joint_problem import Problem

if TYPE_CHECKING:
    from lmfit import Minimizer, Parameters
    from lmfit.minimizer import MinimizerResult

FloatArray = NDArray[np.float64]


def fit_with_lmfit(
    curves: Sequence[MeasuredCurve], session: Session, model: str = AUTO
) -> tuple[Minimizer, MinimizerResult]:
    """The joint problem of some takes, solved again by lmfit from where `fit_driver` ends.

    Its parameters are those of `fit.problem.joint_problem`: ``re``, ``strength``, ``resonance``,
    ``loss``, ``mass`` and ``volume`` are logarithms of Re [ohm], Bl^2/Mms [ohm rad/s], 2 pi fs
    [rad/s], Rms/Mms [rad/s], Mms [kg] and Vas [m3]; the errors of the bench are in standard
    uncertainties. Residuals are in standard deviations, so that ``scale_covar`` is off. Common
    errors that bend a curve are held at zero: their part of an uncertainty is not in lmfit's.

    Args:
        curves: As for `fit_driver`.
        session: What else was measured.
        model: As for `fit_driver`.

    Raises:
        ValueError: If no model has the given name.
        Refused: As `fit_driver`, before anything is judged.

    Returns:
        The minimizer, for lmfit's other methods and `lmfit.conf_interval`, and its result by
        Levenberg and Marquardt's method with the analytic Jacobian.
    """
    from lmfit import Minimizer

    found = chosen(curves, session, model).settled
    problem = found.problem
    parameters = _parameters(problem, found.theta)

    def vector(current: Parameters) -> FloatArray:
        return np.array([parameter.value for parameter in current.values()], dtype=np.float64)

    varied = problem.estimated
    front = Minimizer(
        lambda current: problem.residual(vector(current)), parameters, scale_covar=False
    )
    result = front.leastsq(
        Dfun=lambda current: problem.jacobian(vector(current))[:, varied], col_deriv=0
    )
    return front, result


def _parameters(problem: Problem, theta: FloatArray) -> Parameters:
    from lmfit import Parameters

    parameters = Parameters()
    for column, (name, value) in enumerate(zip(problem.names, theta, strict=True)):
        parameters.add(
            re.sub(r"\W+", "_", name), value=float(value), vary=column not in problem.shape_errors
        )
    return parameters
