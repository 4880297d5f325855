"""Least squares some of whose unknowns must not be negative.

`nnls` of ``scipy.optimize`` does the same where all are; that package takes longer to import than a
recording to judge, and a test holds the two together.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from meas.curve import FloatArray

_TOLERANCE = 1e-10


def partly_nonnegative(matrix: FloatArray, target: FloatArray, free: int) -> FloatArray:
    """Solve min |A x - b| under x >= 0 for all but the first unknowns.

    By the active set of C. Lawson, R. Hanson, Solving Least Squares Problems, 1974, chapter 23,
    with the free unknowns always among those that are solved for.

    Args:
        matrix: A, shape (m, n).
        target: b, shape (m,).
        free: Number of unknowns that may have either sign; they come first.

    Returns:
        x, shape (n,).
    """
    count = matrix.shape[1]
    bound: NDArray[np.bool_] = np.arange(count) >= free
    solved = ~bound
    x = _solved_for(matrix, target, solved)
    for _ in range(3 * count):
        gradient = matrix.T @ (target - matrix @ x)
        gradient[solved] = -np.inf
        best = int(np.argmax(gradient))
        if gradient[best] <= _TOLERANCE * float(np.linalg.norm(target)):
            break
        solved[best] = True
        wanted = _solved_for(matrix, target, solved)
        while np.any(low := solved & bound & (wanted <= 0)):
            steps = x[low] / np.maximum(x[low] - wanted[low], 1e-300)
            x = x + float(steps.min()) * (wanted - x)
            solved &= ~(low & (x <= _TOLERANCE * (1 + np.abs(x).max())))
            x[~solved] = 0.0
            wanted = _solved_for(matrix, target, solved)
        x = wanted
    return x


def _solved_for(matrix: FloatArray, target: FloatArray, which: NDArray[np.bool_]) -> FloatArray:
    x = np.zeros(matrix.shape[1])
    if np.any(which):
        x[which] = np.linalg.lstsq(matrix[:, which], target, rcond=None)[0]
    return x
