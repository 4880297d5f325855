"""One nonlinear least-squares run, of which every fit of a curve is made.

`fit.lmfit_front` does the same through lmfit; inside a fit that needs some tens of runs, the
wrapping of that library costs more than the mathematics.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from meas.curve import FloatArray

_DAMPING = 1e-3
"""First damping, as share of the curvature along each parameter."""
_LEAST, _MOST = 1e-13, 1e13
_EXACT = 1e-9
"""Tolerance from which the last steps are taken by orthogonal factors.

The normal equations square the condition number and lose half of the digits.
"""
_LAST_STEPS = 20


@dataclass(frozen=True, eq=False)
class Solution:
    """End of a least-squares run.

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
    worth: float = 0.0,
    evaluations: int = 200,
) -> Solution:
    """Minimise the sum of squared residuals by Levenberg and Marquardt's method.

    Damping by D. W. Marquardt (J. Soc. Indust. Appl. Math. 11(2), 1963) on columns scaled to
    their greatest length so far (J. J. More, Lect. Notes Math. 630, 1978), updated by the gain
    ratio (K. Madsen, H. B. Nielsen, O. Tingleff, Methods for Non-Linear Least Squares Problems,
    2nd ed., DTU 2004, algorithm 3.16).

    A capacitor that discharges from 5 V with 2 s:

    >>> t = np.array([0.0, 1.0, 2.0, 3.0])
    >>> volts = 5 * np.exp(-t / 2)
    >>> def residual(p):
    ...     return p[0] * np.exp(-t / p[1]) - volts
    >>> def jacobian(p):
    ...     fall = np.exp(-t / p[1])
    ...     return np.stack([fall, p[0] * fall * t / p[1] ** 2], axis=1)
    >>> print(least_squares(residual, jacobian, np.array([4.0, 1.5])).values.round(9))
    [5. 2.]

    Args:
        residual: Parameters (p,) to residuals (m,), already divided by their uncertainties.
        jacobian: Parameters (p,) to derivatives (m, p).
        tolerance: Relative change of cost and of parameters at which to stop.
        worth: Change of cost at which to stop whatever the tolerance; where parameters hardly
            show, the last thousandths of a chi-square cost most of the steps.

    Returns:
        The solution; it need not be a global minimum.
    """
    values = np.array(start, dtype=np.float64)
    left = residual(values)
    cost, spent = float(left @ left), 1
    slopes = jacobian(values)
    scale = _lengths(slopes, np.zeros(values.size))
    identity = np.eye(values.size)
    damping, growth = _DAMPING, 2.0
    converged = False
    while not converged and spent < evaluations:
        normal = (slopes.T @ slopes) / np.outer(scale, scale)
        gradient = (slopes.T @ left) / scale
        accepted = False
        while not accepted and spent < evaluations:
            try:
                step = -np.linalg.solve(normal + damping * identity, gradient)
            except np.linalg.LinAlgError:
                damping, growth = damping * growth, 2 * growth
                spent += 1
                continue
            trial = values + step / scale
            there = residual(trial)
            new, spent = float(there @ there), spent + 1
            predicted = float(step @ (damping * step - gradient))
            gain = (cost - new) / predicted if predicted > 0 and math.isfinite(new) else -1.0
            small = bool(
                np.linalg.norm(step) <= tolerance * max(float(np.linalg.norm(scale * values)), 1e-8)
            )
            least = max(tolerance * cost, worth)
            flat = predicted <= least and abs(cost - new) <= least
            if gain > 0:
                values, left, cost = trial, there, new
                damping = max(damping * max(1 / 3, 1 - (2 * gain - 1) ** 3), _LEAST)
                growth, accepted = 2.0, True
            else:
                damping, growth = damping * growth, 2 * growth
            if small or flat or cost == 0.0 or damping > _MOST:
                converged = True
                break
        if accepted and not converged:
            slopes = jacobian(values)
            scale = _lengths(slopes, scale)
    if converged and tolerance < _EXACT:
        values, cost = _sharpened(residual, jacobian, values, cost)
    return Solution(values, cost, converged)


def _lengths(slopes: FloatArray, so_far: FloatArray) -> FloatArray:
    """Greatest length of each column so far; 1 for a parameter that does nothing."""
    lengths = np.maximum(np.sqrt(np.einsum("mp,mp->p", slopes, slopes)), so_far)
    return np.where(lengths > 0, lengths, 1.0)


def _sharpened(
    residual: Callable[[FloatArray], FloatArray],
    jacobian: Callable[[FloatArray], FloatArray],
    values: FloatArray,
    cost: float,
) -> tuple[FloatArray, float]:
    """Gauss-Newton steps by orthogonal factors for as long as they gain."""
    for _ in range(_LAST_STEPS):
        slopes = jacobian(values)
        scale = _lengths(slopes, np.zeros(values.size))
        step = np.linalg.lstsq(slopes / scale, -residual(values), rcond=1e-14)[0] / scale
        there = residual(values + step)
        new = float(there @ there)
        if not new < cost:
            break
        values, cost = values + step, new
    return values, cost
