"""Cubic spline through points, as ``CubicSpline`` of ``scipy.interpolate`` draws it.

That module takes longer to import than a recording to judge; a test holds the two together.
"""

from __future__ import annotations

import numpy as np

from meas.curve import FloatArray


def cubic_spline(x: FloatArray, y: FloatArray, at: FloatArray) -> FloatArray:
    """Values of the not-a-knot cubic spline through points.

    Its slopes solve the conditions of continuous second derivatives, and of a third derivative
    without a jump at the second and the last but one point (C. de Boor, A Practical Guide to
    Splines, 1978, chapter IV).

    Args:
        x: Increasing, shape (n,), at least four.
        y: Values there, shape (n,) or (n, k).
        at: Where the spline is wanted, within the points, shape (m,).

    Returns:
        Shape (m,) or (m, k).
    """
    n, h = x.size, np.diff(x)
    columns = y.reshape(n, -1)
    chord = np.diff(columns, axis=0) / h[:, None]
    system, wanted = np.zeros((n, n)), np.empty_like(columns)
    inner = np.arange(1, n - 1)
    system[inner, inner - 1], system[inner, inner + 1] = h[1:], h[:-1]
    system[inner, inner] = 2 * (h[:-1] + h[1:])
    wanted[inner] = 3 * (h[1:, None] * chord[:-1] + h[:-1, None] * chord[1:])
    for end, step in ((0, 1), (n - 1, -1)):
        near, next_ = (0, 1) if step > 0 else (n - 2, n - 3)
        both = h[near] + h[next_]
        system[end, end], system[end, end + step] = h[next_], both
        wanted[end] = (
            (h[near] + 2 * both) * h[next_] * chord[near] + h[near] ** 2 * chord[next_]
        ) / both
    slope = np.linalg.solve(system, wanted)
    piece = np.clip(np.searchsorted(x, at, side="right") - 1, 0, n - 2)
    t = ((at - x[piece]) / h[piece])[:, None]
    wide = h[piece][:, None]
    found = (
        (1 + 2 * t) * (1 - t) ** 2 * columns[piece]
        + t * (1 - t) ** 2 * wide * slope[piece]
        + t**2 * (3 - 2 * t) * columns[piece + 1]
        + t**2 * (t - 1) * wide * slope[piece + 1]
    )
    return np.asarray(found.reshape(at.shape + y.shape[1:]))
