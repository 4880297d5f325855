"""A fit as it is reported, saved and compared; JSON format ``freeair-fit/1``."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from meas.errors import Finding

FORMAT = "freeair-fit/1"
Z95 = 1.959964
"""97.5 % point of the normal law: half of a 95 % interval in standard uncertainties."""


@dataclass(frozen=True)
class Estimate:
    """One parameter with what limits it.

    Attributes:
        value: In SI base units.
        unit: One of ``ohm H Hz kg m/N kg/s T m m3 m2 dB 1``.
        contributions: Error source to its signed effect on the value for plus one standard
            uncertainty of the source, in the value's unit (value times relative effect).
            Sources are independent; the squares add up to the variance. Random parts that no
            other fit can share carry the fit's own source names (``random:...``).
        logarithmic: True where the error is taken as normal in the logarithm (all positive
            quantities but decibels), so that an interval never reaches zero.
        frequency_hz: Where the quantity is stated at a frequency (Le), else None.
        widening: Factor on 1.96 for few repetitions (Student's t over the normal); where `limits`
            are given, what makes an interval without them as wide.
        limits: Ends of the 95 % interval where linear propagation does not suffice and a Monte
            Carlo run gave them; None elsewhere.
    """

    value: float
    unit: str
    contributions: Mapping[str, float]
    logarithmic: bool = True
    frequency_hz: float | None = None
    widening: float = 1.0
    limits: tuple[float, float] | None = None

    @property
    def standard_uncertainty(self) -> float:
        """Combined standard uncertainty, in the value's unit (JCGM 100:2008, 5.1)."""
        return math.sqrt(sum(part * part for part in self.contributions.values()))

    @property
    def interval_95(self) -> tuple[float, float]:
        """95 % coverage interval, in the value's unit."""
        if self.limits is not None:
            return self.limits
        reach = Z95 * self.widening * self.standard_uncertainty
        if not self.logarithmic:
            return (self.value - reach, self.value + reach)
        factor = math.exp(reach / self.value)
        return (self.value / factor, self.value * factor)

    def __str__(self) -> str:
        """Value and 95 % interval in the unit that people use."""
        from fit.results.notebook import estimate_text

        return estimate_text(self)

    def _repr_html_(self) -> str:
        from html import escape

        return escape(str(self))


@dataclass(frozen=True, eq=False)
class FittedCurve:
    """How one curve was followed.

    Attributes:
        source: As given with the curve.
        condition: ``free-air``, ``added-mass`` or ``test-box``.
        condition_value: The mass [kg] or volume [m3]; None in free air.
        frequency_hz: Shape (n,).
        measured_ohm: Complex, or real where only the magnitude is known, shape (n,).
        model_ohm: The fitted model at the same frequencies, complex, shape (n,).
        motional_ohm: Its motional part alone, complex, shape (n,).
        residual_rms_relative: Root mean square of |measured - model|/|measured|.
    """

    source: str
    condition: str
    condition_value: float | None
    frequency_hz: NDArray[np.float64]
    measured_ohm: NDArray[np.complex128] | NDArray[np.float64]
    model_ohm: NDArray[np.complex128]
    motional_ohm: NDArray[np.complex128]
    residual_rms_relative: float

    def _repr_html_(self) -> str:
        from fit.results.notebook import curve_html

        return curve_html(self)


@dataclass(frozen=True, eq=False)
class DriverFit:
    """The whole outcome of a fit.

    Attributes:
        model: Name of the voice-coil model used.
        parameters: Symbol to estimate: ``Re Le fs Qms Qes Qts Zmin Zmax`` always where the band
            reaches them; ``Mms Cms Rms Bl Vas Sd Sd_from_takes eta0 sensitivity_2v83
            sensitivity_1w`` where the takes can give them; coil parameters under own names.
        curves: One per input curve.
        warnings: Doubts about the result that do not refuse it.
        sources: Error source to its description in words.
        leverages: Error source to the part of its stated variance that the takes leave it: 1
            where they say nothing about the error. Not saved.
        model_choice: Candidate model to its information criterion, for the report.
    """

    model: str
    parameters: Mapping[str, Estimate]
    curves: tuple[FittedCurve, ...]
    warnings: tuple[Finding, ...] = ()
    sources: Mapping[str, str] = field(default_factory=dict)
    leverages: Mapping[str, float] = field(default_factory=dict)
    model_choice: Mapping[str, float] = field(default_factory=dict)

    def _repr_html_(self) -> str:
        from fit.results.notebook import fit_html

        return fit_html(self)
