"""Covariances of least-squares problems, and few independent errors in place of many."""

from __future__ import annotations

import numpy as np

from meas.curve import FloatArray

_NEGLIGIBLE = 1e-12
"""Share of a group's variance below which one of its components is left out."""


def covariance(jacobian: FloatArray) -> FloatArray:
    """Covariance (J'J)^-1 of the parameters, by singular values of the column-scaled Jacobian.

    Two readings with a standard deviation of 1 know their mean to the root of a half:

    >>> covariance(np.ones((2, 1))).round(12)
    array([[0.5]])

    Args:
        jacobian: Derivatives of residuals in units of their standard deviations, shape (m, p).

    Returns:
        Shape (p, p).
    """
    scale = np.sqrt(np.sum(jacobian**2, axis=0))
    scale = np.where(scale > 0, scale, 1.0)
    _, singular, right = np.linalg.svd(jacobian / scale, full_matrices=False)
    inverse = (right.T / np.maximum(singular, 1e-12 * singular[0])) / scale[:, None]
    return np.asarray(inverse @ inverse.T)


def principal_components(effects: FloatArray) -> list[FloatArray]:
    """Few independent unit errors with the covariance of many.

    Args:
        effects: What each of m unit errors does to q quantities, shape (q, m).

    Returns:
        At most q effects, each of shape (q,).
    """
    size = np.sqrt(np.sum(effects**2, axis=1))
    size = np.where(size > 0, size, 1.0)
    left, singular, _ = np.linalg.svd(effects / size[:, None], full_matrices=False)
    left = left * size[:, None]
    total = float(np.sum(singular**2))
    return [
        left[:, k] * singular[k]
        for k in range(singular.size)
        if singular[k] ** 2 > _NEGLIGIBLE * total
    ]
