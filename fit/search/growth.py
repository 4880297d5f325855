"""Place where the residual of a fit asks for another section of the coil's ladder."""

from __future__ import annotations

import numpy as np

from fit.problem.curve_rows import as_measured, stacked
from fit.problem.joint_problem import Problem
from meas.curve import FloatArray

_CORNERS = 24
_KEPT = 3
_BEYOND = 4.0
"""How far off the band a corner may lie, as a factor."""


def sections_seen(problem: Problem, theta: FloatArray) -> list[tuple[float, float]]:
    """Find the ladder sections that would gain most: inductance [H], corner [rad/s], best first.

    To first order, all other parameters following (the score test: C. R. Rao, Proc. Cambridge
    Phil. Soc. 44, 1948): the residual on the column of each corner, what the Jacobian spans taken
    out of both.

    Args:
        problem: One take in free air, fitted without the section.
        theta: The fit, shape (p,).
    """
    (take,) = problem.takes
    span, _ = np.linalg.qr(problem.jacobian(theta))
    left = problem.residual(theta)
    left = left - span @ (span.T @ left)
    low, high = np.abs(take.s[[0, -1]])
    corners = np.geomspace(low / _BEYOND, high * _BEYOND, _CORNERS)
    section = take.s / (1 + take.s / corners[:, None])
    total = problem.modelled(theta, 0).total
    _, section = as_measured(total, section, phase=take.is_complex)
    columns = np.zeros((left.size, corners.size))
    upper = stacked(section / np.sqrt(problem.variance[0]))
    columns[: upper.shape[1]] = upper.T
    columns = columns - span @ (span.T @ columns)
    square = np.sum(columns**2, axis=0)
    L = -(left @ columns) / np.where(square > 0, square, np.inf)
    gain = np.where(L > 0, L * L * square, 0.0)
    padded = np.concatenate([[0.0], gain, [0.0]])
    peaks = np.flatnonzero((gain > 0) & (gain >= padded[:-2]) & (gain > padded[2:]))
    best = peaks[np.argsort(-gain[peaks])][:_KEPT]
    return [(float(L[k]), float(corners[k])) for k in best]
