"""From the ratio of the two inputs to impedance, and what the bench does to it."""

from __future__ import annotations

import numpy as np

from meas.curve import ComplexArray, FloatArray, Systematic
from meas.rig import Rig, Wiring

_RECTANGULAR = 1.0 / np.sqrt(3.0)


def from_ratio(
    ratio: ComplexArray, variance: FloatArray, wiring: Wiring
) -> tuple[ComplexArray, FloatArray]:
    """Turn driver input over source input into impedance, input loading taken out.

    With the resistor on the hot side the driver input sits across the driver:
    1/Z = (1 - H)/(R H) - 1/Ri. With the resistor on the ground side it sits across the resistor:
    Z = R' (1 - H)/H with R' = R parallel Ri. (Voltage divider; physics of any textbook.)

    Args:
        ratio: H, driver input over source input, complex, shape (n,).
        variance: Of the real and of the imaginary part of H each, shape (n,).
        wiring: Resistor, side and input resistance.

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

    Args:
        impedance_ohm: Impedance [ohm], complex, shape (n,).
        wiring: Resistor, side and input resistance.

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


def bench_systematics(
    frequency_hz: FloatArray,
    impedance_ohm: ComplexArray,
    rig: Rig,
    *,
    calibrated: bool,
    sample_rate_hz: int,
) -> tuple[Systematic, ...]:
    """The common errors of a bench as their effect on a curve measured with it.

    Limits (half-widths) are taken as rectangular distributions: one standard uncertainty is the
    limit over the square root of three (JCGM 100:2008, 4.3.7).

    Args:
        frequency_hz: Frequencies of the curve [Hz], shape (n,).
        impedance_ohm: Its impedance [ohm], complex, shape (n,).
        rig: The bench.
        calibrated: Whether a calibration of the channels was applied to the curve.
        sample_rate_hz: Rate of the capture, in which delays are counted [Hz].

    Returns:
        One entry per cause that has an effect: resistor, input resistance where one is stated,
        gain and delay of the driver input against the source input.

    Raises:
        ValueError: If the wiring has no known series resistor.
    """
    wiring, assumed = rig.wiring, rig.assumptions
    R = _resistor(wiring)
    ratio = to_ratio(impedance_ohm, wiring)
    slope = _slope(ratio, wiring)
    causes: list[Systematic] = []

    def add(source: str, text: str, derivative: ComplexArray, limit: float) -> None:
        if limit > 0.0:
            effect = derivative * (limit * _RECTANGULAR)
            causes.append(Systematic(f"{source}:{rig.name}", text, effect))

    tolerance = wiring.tolerance_percent / 100.0
    add(
        "resistor",
        f"series resistor {R:g} ohm within ±{wiring.tolerance_percent:g} %",
        _resistor_slope(ratio, impedance_ohm, wiring),
        tolerance * R,
    )
    if wiring.input_resistance_ohm is not None:
        Ri, percent = wiring.input_resistance_ohm, wiring.input_resistance_tolerance_percent
        add(
            "input-resistance",
            f"input resistance {Ri:g} ohm within ±{percent:g} %",
            _loading_slope(ratio, impedance_ohm, wiring) * (-1.0 / Ri**2),
            percent / 100.0 * Ri,
        )
    gain = assumed.calibrated_mismatch_percent if calibrated else assumed.mismatch_percent
    delay = assumed.calibrated_delay_samples if calibrated else assumed.mismatch_delay_samples
    state = "after calibration" if calibrated else "channels not calibrated"
    # A gain 1 + g makes H read H (1 + g), a delay d makes it read H exp(-j w d).
    add(
        "mismatch-gain",
        f"gain of the two inputs equal within ±{gain:g} % ({state})",
        slope * ratio,
        gain / 100.0,
    )
    add(
        "mismatch-delay",
        f"delay of the two inputs equal within ±{delay:g} samples ({state})",
        slope * ratio * (-2j * np.pi * frequency_hz / sample_rate_hz),
        delay,
    )
    return tuple(causes)


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


def _resistor_slope(
    ratio: ComplexArray, impedance_ohm: ComplexArray, wiring: Wiring
) -> ComplexArray:
    """dZ/dR at a fixed ratio."""
    R, loading = _resistor(wiring), _loading(wiring)
    if wiring.resistor_side == "hot":
        return (1.0 - ratio) / ratio * (impedance_ohm / R) ** 2
    return impedance_ohm / (R * (1.0 + loading * R))


def _loading_slope(
    ratio: ComplexArray, impedance_ohm: ComplexArray, wiring: Wiring
) -> ComplexArray:
    """dZ/d(1/Ri) at a fixed ratio."""
    R, loading = _resistor(wiring), _loading(wiring)
    if wiring.resistor_side == "hot":
        return impedance_ohm**2
    return -impedance_ohm * R / (1.0 + loading * R)
