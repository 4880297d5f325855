"""The least-squares run: the only place that knows lmfit."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class Solution:
    """Where a least-squares run ended.

    Attributes:
        values: Parameters, shape (p,).
        cost: Sum of squared residuals.
        converged: False when the run stopped at its limit of evaluations.
    """

    values: FloatArray
    cost: float
    converged: bool


def least_squares(
    residual: Callable[[FloatArray], FloatArray],
    jacobian: Callable[[FloatArray], FloatArray],
    start: FloatArray,
    *,
    tolerance: float = 1e-10,
    evaluations: int = 200,
) -> Solution:
    """Minimise the sum of squared residuals by Levenberg and Marquardt's method.

    Args:
        residual: Parameters (p,) to residuals (m,), already divided by their uncertainties.
        jacobian: Parameters (p,) to derivatives (m, p).
        start: Starting values, shape (p,).
        tolerance: Relative change of cost and of parameters at which to stop.
        evaluations: Greatest number of residual evaluations.

    Returns:
        The solution; it need not be a global minimum.
    """
    from lmfit import Minimizer, Parameters

    parameters = Parameters()
    for index, value in enumerate(start):
        parameters.add(f"p{index}", value=float(value))

    def vector(current: Parameters) -> FloatArray:
        return np.array([parameter._val for parameter in current.values()], dtype=np.float64)

    minimizer = Minimizer(
        lambda current: residual(vector(current)),
        parameters,
        scale_covar=False,
        calc_covar=False,
        max_nfev=evaluations,
    )
    result = minimizer.leastsq(
        Dfun=lambda current: jacobian(vector(current)),
        col_deriv=0,
        xtol=tolerance,
        ftol=tolerance,
        gtol=0.0,
    )
    values = vector(result.params)
    return Solution(values, float(np.sum(residual(values) ** 2)), not result.aborted)
