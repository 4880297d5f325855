"""Many least-squares problems of one size, solved side by side in arrays."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from meas.curve import FloatArray

Indices = NDArray[np.intp]
Normal = tuple[FloatArray, FloatArray, FloatArray]
"""Cost (r,), half its gradient (r, p) and normal matrix (r, p, p) of r problems."""

_ROUNDS = 60
_DAMPING = 1e-6
"""First damping: the problems differ little, and start near their optimum."""
_MOST = 1e10


def many_least_squares(
    normal_of: Callable[[FloatArray, Indices], Normal],
    start: FloatArray,
    *,
    tolerance: float,
    worth: float,
) -> tuple[FloatArray, NDArray[np.bool_]]:
    """Minimise many sums of squares by the method of `fit.numerics.least_squares`.

    Args:
        normal_of: Parameters (r, p) of some problems, and which ones (r,), to their normal
            equations.
        start: Starting values, shape (n, p).
        tolerance: Relative change of cost and of parameters at which to stop.
        worth: Change of cost at which to stop whatever the tolerance.

    Returns:
        Parameters, shape (n, p), and whether each run ended, shape (n,).
    """
    count, size = start.shape
    theta = start.copy()
    damping, growth = np.full(count, _DAMPING), np.full(count, 2.0)
    cost, gradient, normal = normal_of(theta, np.arange(count))
    running = np.ones(count, dtype=bool)
    identity = np.eye(size)
    for _ in range(_ROUNDS):
        here = np.flatnonzero(running)
        scale = np.sqrt(np.einsum("rpp->rp", normal[here]))
        scale = np.where(scale > 0, scale, 1.0)
        damped = normal[here] / (scale[:, :, None] * scale[:, None, :])
        damped += damping[here, None, None] * identity
        step = -np.linalg.solve(damped, (gradient[here] / scale)[:, :, None])[:, :, 0]
        predicted = np.sum(step * (damping[here, None] * step - gradient[here] / scale), axis=1)
        trial = theta[here] + step / scale
        new, new_gradient, new_normal = normal_of(trial, here)
        gain = np.where(predicted > 0, (cost[here] - new) / predicted, -1.0)
        better = np.isfinite(new) & (gain > 0)
        small = np.linalg.norm(step, axis=1) <= tolerance * np.linalg.norm(
            scale * theta[here], axis=1
        )
        little = np.maximum(tolerance * cost[here], worth)
        flat = (predicted <= little) & (np.abs(cost[here] - new) <= little)
        up, down = here[better], here[~better]
        theta[up], cost[up] = trial[better], new[better]
        gradient[up], normal[up] = new_gradient[better], new_normal[better]
        damping[up] *= np.maximum(1 / 3, 1 - (2 * gain[better] - 1) ** 3)
        growth[up] = 2.0
        damping[down] *= growth[down]
        growth[down] *= 2
        running[here[small | flat | (damping[here] > _MOST)]] = False
        if not np.any(running):
            break
    return theta, ~running
