"""From the ratio of the two inputs to impedance on a bench as its wiring says."""

from __future__ import annotations

import numpy as np

from meas.bench.rig import Wiring
from meas.curve import ComplexArray, FloatArray


def from_ratio(
    ratio: ComplexArray, variance: FloatArray, wiring: Wiring
) -> tuple[ComplexArray, FloatArray]:
    """Turn driver input over source input into impedance, input loading taken out.

    With the resistor on the hot side the driver input sits across the driver:
    1/Z = (1 - H)/(R H) - 1/Ri. With the resistor on the ground side it sits across the resistor:
    Z = R' (1 - H)/H with R' = R parallel Ri. (Voltage divider; physics of any textbook.)

    Args:
        ratio: H, driver input over source input, complex, shape (n,).
        variance: Variance of the real and of the imaginary part of H each, shape (n,).

    Returns:
        Impedance [ohm], complex, and the standard uncertainty of each part [ohm], both (n,).

    Raises:
        ValueError: If the wiring has no known series resistor.
    """
    impedance = _impedance(ratio, wiring)
    with np.errstate(divide="ignore", invalid="ignore"):
        return impedance, np.abs(_slope(ratio, wiring)) * np.sqrt(variance)


def to_ratio(impedance_ohm: ComplexArray, wiring: Wiring) -> ComplexArray:
    """Driver input over source input that an impedance gives; the inverse of `from_ratio`.

    >>> bench = Wiring(series_resistor_ohm=10.0)
    >>> to_ratio(np.array([10.0 + 0j, 0.0 + 0j]), bench)
    array([0.5+0.j, 0. +0.j])

    Args:
        impedance_ohm: Impedance [ohm], complex, shape (n,).

    Returns:
        H, complex, shape (n,).

    Raises:
        ValueError: If the wiring has no known series resistor.
    """
    R, loading = _resistor(wiring), _loading(wiring)
    if wiring.resistor_side == "hot":
        loaded = impedance_ohm / (1.0 + loading * impedance_ohm)
        return loaded / (R + loaded)
    shunted = R / (1.0 + loading * R)
    return shunted / (shunted + impedance_ohm)


def _resistor(wiring: Wiring) -> float:
    if wiring.series_resistor_ohm is None:
        raise ValueError("the series resistor is not known")
    return wiring.series_resistor_ohm


def _loading(wiring: Wiring) -> float:
    """Conductance of the driver input [S]."""
    Ri = wiring.input_resistance_ohm
    return 0.0 if Ri is None else 1.0 / Ri


def _impedance(ratio: ComplexArray, wiring: Wiring) -> ComplexArray:
    R, loading = _resistor(wiring), _loading(wiring)
    with np.errstate(divide="ignore", invalid="ignore"):
        if wiring.resistor_side == "hot":
            return R * ratio / ((1.0 - ratio) - loading * R * ratio)
        return R / (1.0 + loading * R) * (1.0 - ratio) / ratio


def _slope(ratio: ComplexArray, wiring: Wiring) -> ComplexArray:
    """dZ/dH; without loading its magnitude is |R + Z|^2/R on both sides."""
    R, loading = _resistor(wiring), _loading(wiring)
    if wiring.resistor_side == "hot":
        return R / ((1.0 - ratio) - loading * R * ratio) ** 2
    return -R / (1.0 + loading * R) / ratio**2
