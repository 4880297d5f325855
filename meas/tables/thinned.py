"""Long tables with neighbouring rows merged: what follows costs the square of their number."""

from __future__ import annotations

from dataclasses import replace
from typing import Any, TypeVar

import numpy as np
from numpy.typing import NDArray

from meas.curve import Curve, ImpedanceCurve

MOST = 2000
"""Rows that are left at most; over six decades a step of 0.7 %, a tenth of a resonance of Q 14."""

N = TypeVar("N", np.float64, np.complex128)


def thinned(curve: Curve) -> Curve:
    """Merge rows within equal steps of log frequency into their means, where there are very many.

    A mean of values over a mean of frequencies is exact for a straight line. Random errors of
    single rows average out; rounding, which may be alike in all of them, does not.
    """
    frequency = curve.frequency_hz
    if frequency.size <= MOST:
        return curve
    place = np.log(frequency / frequency[0]) / np.log(frequency[-1] / frequency[0])
    starts = np.flatnonzero(np.diff(np.minimum((place * MOST).astype(int), MOST - 1), prepend=-1))
    count = np.diff(starts, append=frequency.size)

    def mean(values: NDArray[N]) -> NDArray[N]:
        return np.asarray(np.add.reduceat(values, starts) / count)

    noise, rounding = curve.standard_uncertainty_ohm, curve.rounding_ohm
    rest: dict[str, Any] = {
        "frequency_hz": mean(frequency),
        "standard_uncertainty_ohm": None
        if noise is None
        else np.sqrt(np.add.reduceat(noise**2, starts)) / count,
        "rounding_ohm": None if rounding is None else mean(rounding),
        "systematics": tuple(
            replace(error, derivative_ohm=mean(error.derivative_ohm)) for error in curve.systematics
        ),
    }
    if isinstance(curve, ImpedanceCurve):
        return ImpedanceCurve(impedance_ohm=mean(curve.impedance_ohm), **rest)
    return replace(curve, magnitude_ohm=mean(curve.magnitude_ohm), **rest)
