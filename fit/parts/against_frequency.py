"""A part against frequency: what each stretch of the curve says by itself.

A mean over a stretch is biased where the curve is steep and the stretch lies to one side, as at
the ends of a table. So a parabola over log frequency is fitted, in the logarithm of the value
where it has one, and read where it is asked for (local polynomial regression, W. S. Cleveland,
J. Am. Stat. Assoc. 74, 1979, 829). Its scatter is part of the uncertainty whatever a table says of
its noise, and all of it where a table says nothing.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from meas.curve import ComplexArray, FloatArray, ImpedanceCurve, Systematic

AT_HZ = (50.0, 100.0, 200.0, 500.0, 1e3, 2e3, 5e3, 10e3, 20e3)
_NARROWEST, _WIDEST = 1 / 6, 1.0
"""Octaves to either side."""
_FEWEST = 6
"""Points for a parabola and three degrees of freedom of its scatter."""
_LARGEST_UNCERTAINTY = 0.25
"""Relative standard uncertainty above which a value is left out."""


@dataclass(frozen=True)
class PartRow:
    """Equivalent series values at one frequency.

    Attributes:
        frequency_hz: Where the values hold [Hz].
        value: Inductance [H], capacitance [F] or resistance [ohm]; None where too uncertain.
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
    """Values at a few frequencies, each from a third of an octave around it, or more if needed.

    Args:
        kind: ``inductor``, ``capacitor`` or ``resistor``.

    Returns:
        Rows where at least six points lie within an octave to either side.
    """
    found = []
    for hz in AT_HZ:
        if not curve.frequency_hz[0] <= hz <= curve.frequency_hz[-1]:
            continue
        octaves = np.log2(curve.frequency_hz / hz)
        away = np.abs(octaves)
        if away.size < _FEWEST or (reach := np.partition(away, _FEWEST - 1)[_FEWEST - 1]) > _WIDEST:
            continue
        near = away <= max(reach, _NARROWEST)
        found.append(_row(hz, curve, errors, near, kind))
    return tuple(found)


def _row(
    hz: float,
    curve: ImpedanceCurve,
    errors: tuple[Systematic, ...],
    near: NDArray[np.bool_],
    kind: str,
) -> PartRow:
    octaves = np.log2(curve.frequency_hz[near] / hz)
    z = curve.impedance_ohm[near]
    noise = curve.standard_uncertainty_ohm
    u = None if noise is None else noise[near]
    values, slopes = _local(kind, 2 * np.pi * curve.frequency_hz[near], z)
    effects = [error.derivative_ohm[near] for error in errors]
    parts = [d.real if kind == "resistor" else d.imag for d in effects]
    value, spread = _at(octaves, values, slopes, u, parts)
    series, series_spread = _at(octaves, z.real, np.ones(z.size), u, [d.real for d in effects])
    resolved = value > 0 and spread < _LARGEST_UNCERTAINTY * value
    return PartRow(hz, value if resolved else None, spread, series, series_spread)


def _at(
    octaves: FloatArray,
    values: FloatArray,
    slopes: FloatArray,
    noise: FloatArray | None,
    effects: Sequence[FloatArray],
) -> tuple[float, float]:
    """Value of a local parabola in the middle, and its standard uncertainty.

    Args:
        octaves: Away from where the value is asked for, shape (n,).
        values: Shape (n,).
        slopes: Derivative of each value by the measured part of the impedance [1/ohm].
        noise: Standard uncertainty of that part [ohm], or None.
        effects: Effect of each common error on that part [ohm], shape (n,).
    """
    from scipy.special import ndtri, stdtrit

    logarithmic = bool(np.all(values > 0))
    y = np.log(values) if logarithmic else values
    by = slopes / values if logarithmic else slopes
    sigma = np.ones(y.size) if noise is None else np.abs(by) * noise
    sigma = np.maximum(sigma, np.max(sigma) * 1e-6) if np.any(sigma > 0) else np.ones(y.size)
    design = octaves[:, None] ** np.arange(3)
    inverse = np.linalg.pinv(design / sigma[:, None])
    weights = inverse[0] / sigma
    rest = (y - design @ (inverse @ (y / sigma))) / sigma
    freedom = y.size - 3
    scatter = float(np.sum(rest**2)) / freedom
    if noise is None or scatter > 1:
        # Student's t: few points tell their scatter badly.
        scatter *= float(stdtrit(freedom, 0.975) / ndtri(0.975)) ** 2
    square = float(np.sum((weights * sigma) ** 2)) * (
        scatter if noise is None else max(scatter, 1.0)
    )
    square += sum(float(np.sum(weights * by * effect)) ** 2 for effect in effects)
    middle = float(np.sum(weights * y))
    if logarithmic:
        middle = math.exp(middle)
        return middle, middle * math.sqrt(square)
    return middle, math.sqrt(square)


def _local(kind: str, omega: FloatArray, z: ComplexArray) -> tuple[FloatArray, FloatArray]:
    """Value at each point, and its derivative by the reactance (resistor: by the resistance)."""
    if kind == "inductor":
        return z.imag / omega, 1 / omega
    if kind == "capacitor":
        return -1 / (omega * z.imag), 1 / (omega * z.imag**2)
    return z.real, np.ones_like(omega)
