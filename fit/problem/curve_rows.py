"""Rows of residuals that one measured curve gives: shared by drivers, boxes and parts."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from meas.curve import ComplexArray, Curve, FloatArray

Values = NDArray[Any]
"""Complex, or real where only the magnitude is known."""


def stacked(values: Values) -> FloatArray:
    """Real parts, then imaginary ones where there are any, along the last axis."""
    if np.iscomplexobj(values):
        return np.concatenate([values.real, values.imag], axis=-1)
    return np.asarray(values.real, dtype=np.float64)


def as_measured(z: ComplexArray, slopes: ComplexArray, *, phase: bool) -> tuple[Values, Values]:
    """A modelled impedance and its derivatives as a curve shows them.

    Args:
        z: Impedance [ohm], shape (..., n).
        slopes: Its derivatives, shape (q, ..., n).
        phase: Whether the curve knows the phase; otherwise both become those of |Z|.
    """
    if phase:
        return z, slopes
    size = np.abs(z)
    return size, np.real(slopes * (z.conj() / size))


def error_effects(curve: Curve) -> Values:
    """Change of a curve for plus one standard uncertainty of each common error, as stated.

    Returns:
        Like the curve's values [ohm], shape (k, n).
    """
    effects = np.zeros((len(curve.systematics), curve.frequency_hz.size), dtype=np.complex128)
    for row, error in zip(effects, curve.systematics, strict=True):
        row[:] = error.derivative_ohm
    return effects if np.iscomplexobj(curve.values_ohm) else effects.real
