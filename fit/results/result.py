"""A fit as it is reported, saved and compared; JSON format ``freeair-fit/1``."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from typing import Any, Final, Protocol

import numpy as np
from numpy.typing import NDArray

from fit.results.error_sources import (
    ASSUMED,
    HELD,
    RANDOM,
    Scope,
    combine,
    difference,
    part_of,
    variance,
)
from meas.errors import Finding

FORMAT: Final = "freeair-fit/1"
Z95 = 1.959964
"""97.5 % point of the normal law: half of a 95 % interval in standard uncertainties."""
DECIBEL = math.log(10) / 10
"""One decibel of power in the natural logarithm."""


def logarithm(value: float, unit: str) -> float:
    """Natural logarithm of a value; of decibels that of the power they stand for."""
    return value * DECIBEL if unit == "dB" else math.log(value)


def from_logarithm(size: float, unit: str) -> float:
    """The value whose `logarithm` is given."""
    return size / DECIBEL if unit == "dB" else math.exp(size)


@dataclass(frozen=True)
class Estimate:
    """A value with its error sources.

    What two estimates share cancels in their difference, here a resistor that is 1 % off:

    >>> new = Estimate(50.0, "Hz", {"resistor": 0.50, "random:noise": 0.05})
    >>> used = Estimate(45.0, "Hz", {"resistor": 0.45, "random:noise": 0.05})
    >>> print(f"{new.standard_uncertainty / new.value:.4f}")
    0.0100
    >>> change = used.change_from(new)
    >>> print(f"{change.value:.4f} ± {change.standard_uncertainty:.4f}")
    -0.1054 ± 0.0015

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
        widening: Factor on 1.96 for few repetitions (Student's t over the normal). Where `limits`
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

    @property
    def of_this_recording(self) -> Estimate:
        """Estimate without what no recording shows: mounting anew, a frame that moves.

        An interval of a Monte Carlo run comes back as one of the same width.
        """
        own = {s: e for s, e in self.contributions.items() if not s.startswith((ASSUMED, HELD))}
        if len(own) == len(self.contributions):
            return self
        size, rest = math.hypot(*own.values()), part_of(self.contributions, ASSUMED, HELD)
        reach = (self.widening * self.standard_uncertainty) ** 2 - rest**2
        widening = max(math.sqrt(max(reach, 0.0)) / size, 1.0) if size > 0 else 1.0
        return replace(self, contributions=own, widening=widening, limits=None)

    @property
    def random_uncertainty(self) -> float:
        """Standard uncertainty beside other values of the same bench, in the value's unit."""
        return part_of(self.contributions, RANDOM)

    @property
    def logarithm(self) -> float:
        """Natural logarithm of the value; of decibels that of the power they stand for."""
        return logarithm(self.value, self.unit)

    @property
    def logarithmic_effects(self) -> dict[str, float]:
        """Error source to its effect on `logarithm`."""
        scale = DECIBEL if self.unit == "dB" else 1 / self.value
        return {source: part * scale for source, part in self.contributions.items()}

    def change_from(
        self,
        before: Estimate,
        *,
        scope: Scope = "bench",
        assumed: tuple[Mapping[str, float], Mapping[str, float]] = ({}, {}),
    ) -> Estimate:
        """Logarithm of this value over another, with what the two do not share.

        In logarithms, so that before against after and after against before say the same.

        Args:
            before: The other value of the same quantity.
            assumed: Effects on the logarithm of either that no fit carries (the other's first).
        """
        sides = (
            before.logarithmic_effects | dict(assumed[0]),
            self.logarithmic_effects | dict(assumed[1]),
        )
        effects = difference(*sides, scope=scope)
        widening = (before.widening, self.widening)
        widened = variance(difference(*sides, scope=scope, widening=widening))
        total = variance(effects)
        return Estimate(
            self.logarithm - before.logarithm,
            "1",
            effects,
            logarithmic=False,
            widening=math.sqrt(widened / total) if total > 0 else 1.0,
        )

    @staticmethod
    def product(
        powers: Iterable[tuple[Estimate, float]], unit: str, scale: float = 1.0
    ) -> Estimate:
        """A product of powers of values of one fit, correlations included.

        Args:
            powers: Positive values and their exponents.
            scale: Exact factor in front.
        """
        factors = list(powers)
        value = scale * math.prod(factor.value**power for factor, power in factors)
        effects = combine((power, factor.logarithmic_effects) for factor, power in factors)
        return Estimate(
            value,
            unit,
            {source: value * effect for source, effect in effects.items()},
            widening=widest(factor for factor, _ in factors),
        )

    def probability_below(self, limit: float) -> float:
        """Probability that the true value lies below a limit (JCGM 106:2012, 7.2).

        Normal in the value or in its logarithm, widened as the interval is.
        """
        if math.isinf(limit):
            return 1.0 if limit > 0 else 0.0
        spread = self.widening * self.standard_uncertainty
        distance = limit - self.value
        if self.logarithmic:
            if limit <= 0:
                return 0.0
            spread /= self.value
            distance = math.log(limit / self.value)
        if spread == 0:
            return float(distance >= 0)
        return 0.5 * math.erfc(-distance / spread / math.sqrt(2))

    def __str__(self) -> str:
        """Value and 95 % interval in the unit that people use."""
        from fit.results.notebook import estimate_text

        return estimate_text(self)

    def _repr_html_(self) -> str:
        from html import escape

        return escape(str(self))


def widest(estimates: Iterable[Estimate]) -> float:
    """Widening of what follows from several estimates: that of the least repeated one."""
    return max((estimate.widening for estimate in estimates), default=1.0)


@dataclass(frozen=True, eq=False)
class FittedCurve:
    """One measured curve with the fitted model.

    Attributes:
        source: Where the curve came from, as given.
        condition: ``free-air``, ``added-mass`` or ``test-box``.
        condition_value: The mass [kg] or volume [m3]; None in free air.
        frequency_hz: Shape (n,).
        measured_ohm: Complex, or real where only the magnitude is known, shape (n,).
        model_ohm: The fitted model at the same frequencies, complex, shape (n,).
        motional_ohm: Motional part of the model, complex, shape (n,).
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


class Solution(Protocol):
    """The least-squares problem behind a fit; `fit.lmfit_front.Solution` is one."""

    @property
    def result(self) -> Any:
        """The result of lmfit's `Minimizer.leastsq`."""
        ...


@dataclass(frozen=True, eq=False)
class DriverFit:
    """Parameters of a driver with their error sources, and the curves they were fitted to.

    Attributes:
        model: Name of the voice-coil model used.
        parameters: Symbol to estimate: ``Re Le fs Qms Qes Qts Zmin Zmax`` always where the band
            reaches them; ``Mms Cms Rms Bl Vas Sd Sd_from_takes eta0 sensitivity_2v83
            sensitivity_1w`` where the takes can give them; coil parameters under own names.
        warnings: Doubts about the result that do not refuse it.
        sources: Error source to its description in words.
        leverages: Error source to the part of its stated variance that the takes leave it: 1
            where they say nothing about the error. Not saved.
        model_choice: Candidate model to its information criterion, for the report.
        solution: The least-squares problem at its optimum; None for a fit read from a file or made
            otherwise. Not saved.
    """

    model: str
    parameters: Mapping[str, Estimate]
    curves: tuple[FittedCurve, ...]
    warnings: tuple[Finding, ...] = ()
    sources: Mapping[str, str] = field(default_factory=dict)
    leverages: Mapping[str, float] = field(default_factory=dict)
    model_choice: Mapping[str, float] = field(default_factory=dict)
    solution: Solution | None = field(default=None, repr=False)

    @property
    def lmfit(self) -> Any:
        """The fit solved again by lmfit from its optimum, when first asked for.

        An `lmfit.minimizer.MinimizerResult` for ``lmfit.fit_report(fit.lmfit)``, for correlations
        (``fit.lmfit.params["mass"].correl``) and covariance; what its parameters are and what their
        uncertainties lack stands in `fit.lmfit_front.Solution`.

        Raises:
            ValueError: If the fit was read from a file: it holds no takes.
        """
        if self.solution is None:
            raise ValueError("this fit holds no takes to solve again: fit them with fit_driver")
        return self.solution.result

    @property
    def free_air(self) -> tuple[FittedCurve, ...]:
        """The curves in free air; without any, the first one, which has to stand for them."""
        return tuple(c for c in self.curves if c.condition == "free-air") or self.curves[:1]

    @property
    def model_values(self) -> dict[str, float]:
        """Symbol to value, with one of the model that the takes leave open, if its curve tells."""
        from fit.driver.from_reported import completed

        values = {symbol: estimate.value for symbol, estimate in self.parameters.items()}
        if not self.curves:
            return values
        curve = self.free_air[0]
        return completed(self.model, values, curve.frequency_hz, curve.model_ohm)

    def _repr_html_(self) -> str:
        from fit.results.notebook import fit_html

        return fit_html(self)
