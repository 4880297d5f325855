"""Impedance curves: the one currency between measuring and estimating."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from enum import StrEnum

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
ComplexArray = NDArray[np.complex128]
TwoInputs = NDArray[np.float32]
"""Source input and driver input of a recording, full scale 1, shape (n, 2)."""


class Cause(StrEnum):
    """Cause of a bench error whose identity stands for several; advice is looked up by it."""

    SERIES_RESISTOR = "series-resistor"
    KNOWN_RESISTOR = "known-resistor"
    UNCALIBRATED_INPUTS = "uncalibrated-inputs"
    UNSTATED_INPUT_RESISTANCE = "unstated-input-resistance"


@dataclass(frozen=True, eq=False)
class Systematic:
    """A bench error common to all points of a curve, as its effect on the curve.

    Attributes:
        source: Identity of the physical cause. Curves that share it (same resistor, same
            calibration) share the error itself, so that it cancels in a difference.
        text: The cause in words, with its size, for budgets and reports. What stands in brackets
            may be left out where there is little room.
        derivative_ohm: Change of the measured impedance for plus one standard uncertainty of
            the cause [ohm], complex, shape (n,). For a magnitude curve: real, of the magnitude.
        cause: Which of several causes it is; None where the identity says all.
        shunt: Whether it adds to the admittance, which is then linear in the cause however large
            its effect; otherwise the impedance is.
        turn_rad: Angle by which it turns what it is proportional to, for plus one standard
            uncertainty [rad], shape (n,); None where it does not turn.
    """

    source: str
    text: str
    derivative_ohm: ComplexArray
    cause: Cause | None = None
    shunt: bool = False
    turn_rad: FloatArray | None = None

    def kept(self, keep: NDArray[np.bool_]) -> Systematic:
        """The same at some of the points."""
        turn = None if self.turn_rad is None else self.turn_rad[keep]
        return replace(self, derivative_ohm=self.derivative_ohm[keep], turn_rad=turn)


@dataclass(frozen=True, eq=False)
class ImpedanceCurve:
    """A measured complex impedance.

    Attributes:
        frequency_hz: Strictly increasing, positive [Hz], shape (n,).
        impedance_ohm: Complex impedance [ohm], shape (n,).
        standard_uncertainty_ohm: Random standard uncertainty of the real and of the imaginary
            part each [ohm], positive, shape (n,); None when the source does not say.
        systematics: Common errors of the bench, independent of each other.
        rounding_ohm: Limits of the rounding that the values show, half a last digit [ohm],
            shape (n,): the least of the random error where nobody states it; None when unknown.

    Raises:
        ValueError: If shapes differ, a value is not finite, or frequencies do not increase.
    """

    frequency_hz: FloatArray
    impedance_ohm: ComplexArray
    standard_uncertainty_ohm: FloatArray | None = None
    systematics: tuple[Systematic, ...] = ()
    rounding_ohm: FloatArray | None = None

    def __post_init__(self) -> None:
        """Check shapes and values."""
        _check(self)

    @property
    def values_ohm(self) -> ComplexArray:
        """Measured values, here the impedance [ohm], shape (n,)."""
        return self.impedance_ohm

    @property
    def magnitude_ohm(self) -> FloatArray:
        """|Z| [ohm], shape (n,)."""
        return np.abs(self.impedance_ohm)

    def _repr_html_(self) -> str:
        from meas.curve_html import curve_html

        return curve_html(self)


@dataclass(frozen=True, eq=False)
class MagnitudeCurve:
    """A measured impedance magnitude whose phase is not known.

    Attributes:
        frequency_hz: Strictly increasing, positive [Hz], shape (n,).
        magnitude_ohm: |Z| [ohm], positive, shape (n,).
        standard_uncertainty_ohm: Random standard uncertainty of the magnitude [ohm], shape
            (n,); None when the source does not say.
        systematics: Common errors of the bench, independent of each other.
        rounding_ohm: Limits of the rounding that the values show, half a last digit [ohm],
            shape (n,): the least of the random error where nobody states it; None when unknown.

    Raises:
        ValueError: If shapes differ, a value is not finite, or frequencies do not increase.
    """

    frequency_hz: FloatArray
    magnitude_ohm: FloatArray
    standard_uncertainty_ohm: FloatArray | None = None
    systematics: tuple[Systematic, ...] = ()
    rounding_ohm: FloatArray | None = None

    def __post_init__(self) -> None:
        """Check shapes and values."""
        _check(self)
        if np.any(self.magnitude_ohm <= 0):
            raise ValueError("a magnitude must be positive")

    @property
    def values_ohm(self) -> FloatArray:
        """Measured values, here the magnitude [ohm], shape (n,)."""
        return self.magnitude_ohm

    def _repr_html_(self) -> str:
        from meas.curve_html import curve_html

        return curve_html(self)


Curve = ImpedanceCurve | MagnitudeCurve


def at_points(curve: Curve, keep: NDArray[np.bool_]) -> Curve:
    """The curve at some of its points, with their errors."""
    noise, rounding = (
        None if known is None else known[keep]
        for known in (curve.standard_uncertainty_ohm, curve.rounding_ohm)
    )
    errors = tuple(error.kept(keep) for error in curve.systematics)
    f = curve.frequency_hz[keep]
    if isinstance(curve, ImpedanceCurve):
        return ImpedanceCurve(f, curve.impedance_ohm[keep], noise, errors, rounding)
    return MagnitudeCurve(f, curve.magnitude_ohm[keep], noise, errors, rounding)


def merged(curves: Sequence[Curve]) -> Curve:
    """Points of several curves of one kind as one, without what is known of their errors.

    Args:
        curves: At least one; of equal frequencies the point of the first stays.
    """
    frequency, first = np.unique(
        np.concatenate([curve.frequency_hz for curve in curves]), return_index=True
    )
    values = np.concatenate([curve.values_ohm for curve in curves])[first]
    if isinstance(curves[0], MagnitudeCurve):
        return MagnitudeCurve(frequency, np.real(values))
    return ImpedanceCurve(frequency, values)


def random_ohm(curve: Curve) -> FloatArray:
    """Known random standard uncertainty of every point [ohm], shape (n,).

    As stated, but at least that of the rounding, rectangular between its limits (JCGM 100:2008,
    4.3.7). Where nothing is stated there may be any scatter beside it.
    """
    stated, rounding = curve.standard_uncertainty_ohm, curve.rounding_ohm
    known = np.zeros(curve.frequency_hz.size) if stated is None else stated
    return known if rounding is None else np.maximum(known, rounding / np.sqrt(3.0))


def _check(curve: Curve) -> None:
    f, values = curve.frequency_hz, curve.values_ohm
    if f.ndim != 1 or f.shape != values.shape:
        raise ValueError("frequency and impedance must be one-dimensional and equally long")
    if f.size == 0:
        raise ValueError("a curve needs at least one point")
    if not (np.all(np.isfinite(f)) and np.all(np.isfinite(values))):
        raise ValueError("every frequency and impedance must be finite")
    if f[0] <= 0 or np.any(np.diff(f) <= 0):
        raise ValueError("frequencies must be positive and strictly increasing")
    for uncertainty in (curve.standard_uncertainty_ohm, curve.rounding_ohm):
        if uncertainty is None:
            continue
        if uncertainty.shape != f.shape:
            raise ValueError("there must be one uncertainty per frequency")
        if not np.all(np.isfinite(uncertainty)) or np.any(uncertainty <= 0):
            raise ValueError("every uncertainty must be finite and positive")
