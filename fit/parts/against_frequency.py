"""A part against frequency: what each stretch of the curve says by itself."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from meas.curve import ComplexArray, FloatArray, ImpedanceCurve, Systematic

AT_HZ = (50.0, 100.0, 200.0, 500.0, 1e3, 2e3, 5e3, 10e3, 20e3)
_HALF_WIDTH = 2 ** (1 / 6)
_TOLD = 0.5
"""Relative standard uncertainty above which a value is left out."""


@dataclass(frozen=True)
class PartRow:
    """Equivalent series values at one frequency.

    Attributes:
        frequency_hz: Middle of a third of an octave [Hz].
        value: Inductance [H], capacitance [F] or resistance [ohm]; None where not told.
        value_uncertainty: Standard uncertainty of it, in its unit.
        series_ohm: Resistance in series: winding and core, or ESR [ohm].
        series_ohm_uncertainty: Standard uncertainty of it [ohm].
    """

    frequency_hz: float
    value: float | None
    value_uncertainty: float
    series_ohm: float
    series_ohm_uncertainty: float


def rows(curve: ImpedanceCurve, errors: tuple[Systematic, ...], kind: str) -> tuple[PartRow, ...]:
    """Values at a few frequencies, each from a third of an octave around it.

    Args:
        curve: The part's impedance.
        errors: All its common errors.
        kind: ``inductor``, ``capacitor`` or ``resistor``.
    """
    found = []
    for hz in AT_HZ:
        near = (curve.frequency_hz > hz / _HALF_WIDTH) & (curve.frequency_hz < hz * _HALF_WIDTH)
        if near.any() and curve.frequency_hz[0] <= hz <= curve.frequency_hz[-1]:
            found.append(_row(hz, curve, errors, near, kind))
    return tuple(found)


def _row(
    hz: float,
    curve: ImpedanceCurve,
    errors: tuple[Systematic, ...],
    near: NDArray[np.bool_],
    kind: str,
) -> PartRow:
    z = curve.impedance_ohm[near]
    values, slopes = _local(kind, 2 * np.pi * curve.frequency_hz[near], z)
    value, series = float(np.mean(values)), float(np.mean(z.real))
    noise = curve.standard_uncertainty_ohm
    u = np.zeros(z.size) if noise is None else noise[near]
    square = float(np.sum((slopes * u) ** 2)) / z.size**2
    series_square = float(np.sum(u**2)) / z.size**2
    for error in errors:
        d = error.derivative_ohm[near]
        part = d.real if kind == "resistor" else d.imag
        square += float(np.mean(slopes * part)) ** 2
        series_square += float(np.mean(d.real)) ** 2
    told = value > 0 and math.sqrt(square) < _TOLD * value
    return PartRow(hz, value if told else None, math.sqrt(square), series, math.sqrt(series_square))


def _local(kind: str, omega: FloatArray, z: ComplexArray) -> tuple[FloatArray, FloatArray]:
    """Value at each point, and its derivative by the reactance (resistor: by the resistance)."""
    if kind == "inductor":
        return z.imag / omega, 1 / omega
    if kind == "capacitor":
        return -1 / (omega * z.imag), 1 / (omega * z.imag**2)
    return z.real, np.ones_like(omega)
