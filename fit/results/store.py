"""A fit as JSON, format ``freeair-fit/1``, and back without loss.

Each estimate carries the signed effect of every error source under the source's identity; from
these alone follow uncertainties, covariances and what two fits share.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from typing import Annotated, Any, Literal, Self

import numpy as np
from numpy.typing import NDArray
from pydantic import FailFast, Field, model_validator

from fit.results.judge import Verdict
from fit.results.result import FORMAT, DriverFit, Estimate, FittedCurve
from fit.results.saved import (
    AtLeast0,
    Findings,
    Number,
    Positive,
    Saved,
    SavedValue,
    checked,
    read,
    value_of,
)
from meas.errors import Finding

_KIND = "saved fit"
REMEDY = "Give the JSON that 'freeair fit --json' printed or 'freeair fit --save' wrote."
_NEEDED = ("Re", "fs", "Qms", "Qes", "Qts")
"""What every fit has, and everything that reads one relies upon."""

# Symbols and models become cells, columns and lines of other formats.
_Symbol = Annotated[str, Field(pattern=r"^[A-Za-z][A-Za-z0-9_]{0,40}$")]
_Model = Annotated[str, Field(pattern=r"^[A-Za-z0-9][A-Za-z0-9 _.+-]{0,60}$")]
_MOST_POINTS = 1_000_000
_Numbers = Annotated[list[Number], FailFast(), Field(max_length=_MOST_POINTS)]
_Positives = Annotated[list[Positive], FailFast(), Field(max_length=_MOST_POINTS)]


def to_json(
    fit: DriverFit,
    *,
    unit: str,
    verdicts: Iterable[Verdict] = (),
    findings: Iterable[Finding] = (),
    warnings: Iterable[Finding] = (),
) -> dict[str, Any]:
    """The saved form of a fit, ready for ``json.dumps(..., allow_nan=False)``.

    Args:
        warnings: Further doubts besides the fit's own, such as those of its takes.

    Raises:
        ValueError: If a number is not finite or otherwise impossible: such a fit must not exist,
            let alone be saved.
    """
    document = {
        "format": FORMAT,
        "unit": unit,
        "model": fit.model,
        "parameters": {name: _estimate(e) for name, e in fit.parameters.items()},
        "curves": [_curve(curve) for curve in fit.curves],
        "verdicts": [verdict.as_json() for verdict in verdicts],
        "findings": [finding.as_json() for finding in findings],
        "warnings": [finding.as_json() for finding in (*fit.warnings, *warnings)],
        "sources": dict(fit.sources),
        "covariance": covariance(fit.parameters),
        "model_choice": {name: float(value) for name, value in fit.model_choice.items()},
    }
    return checked(SavedFit, document)


def from_json(document: object, *, where: str = "") -> DriverFit:
    """A fit out of its saved form.

    Args:
        document: What ``json.load`` returned.
        where: The file, for messages.

    Raises:
        UnreadableInput: If the document is no saved fit, was written by a newer version, or a
            value in it is missing or impossible; the message names the key.
    """
    saved = read(SavedFit, document, format_=FORMAT, kind=_KIND, where=where, remedy=REMEDY)
    return DriverFit(
        model=saved.model,
        parameters={name: e.estimate() for name, e in saved.parameters.items()},
        curves=tuple(curve.curve() for curve in saved.curves),
        warnings=tuple(warning.finding() for warning in saved.warnings),
        sources=saved.sources,
        model_choice=saved.model_choice,
    )


def covariance(parameters: Mapping[str, Estimate]) -> dict[str, Any]:
    """Covariance matrix of the parameters, in their units: the sum over sources of products.

    Returns:
        ``parameters``, the order of rows and columns, and ``matrix``, shape (n, n).

    Source: JCGM 102:2011, 6.2.1.3, with the sources as independent inputs.
    """
    sources = sorted({source for e in parameters.values() for source in e.contributions})
    effect = np.array(
        [[e.contributions.get(source, 0.0) for source in sources] for e in parameters.values()]
    ).reshape(len(parameters), len(sources))
    return {"parameters": list(parameters), "matrix": (effect @ effect.T).tolist()}


def _estimate(e: Estimate) -> dict[str, Any]:
    kept = value_of(e) | {
        "logarithmic": e.logarithmic,
        "widening": float(e.widening),
        "contributions": {source: float(part) for source, part in e.contributions.items()},
    }
    alone = value_of(e.of_this_recording)
    kept["of_this_recording"] = {key: alone[key] for key in ("standard_uncertainty", "interval_95")}
    if e.limits is not None:
        kept["interval_by"] = "monte-carlo"
    if e.frequency_hz is not None:
        kept["frequency_hz"] = float(e.frequency_hz)
    return kept


def _curve(c: FittedCurve) -> dict[str, Any]:
    return {
        "source": c.source,
        "condition": c.condition,
        "condition_value": c.condition_value,
        "points": int(c.frequency_hz.size),
        "residual_rms_relative": float(c.residual_rms_relative),
        "frequency_hz": c.frequency_hz.tolist(),
        "measured_ohm": _impedance(c.measured_ohm),
        "model_ohm": _impedance(c.model_ohm),
        "motional_ohm": _impedance(c.motional_ohm),
    }


def _impedance(ohm: NDArray[np.complex128] | NDArray[np.float64]) -> dict[str, list[float]]:
    if np.iscomplexobj(ohm):
        return {"real": ohm.real.tolist(), "imag": ohm.imag.tolist()}
    return {"magnitude": ohm.tolist()}


class SavedReach(Saved):
    """Uncertainty without what only another sitting would show; follows from the contributions."""

    standard_uncertainty: AtLeast0
    interval_95: Annotated[list[Number], Field(min_length=2, max_length=2)]


class SavedEstimate(SavedValue):
    """Saved parameter; its interval follows from the contributions unless it says otherwise."""

    logarithmic: bool
    widening: Annotated[float, Field(ge=1, le=1e6)]
    contributions: dict[str, Number]
    interval_by: Literal["propagation", "monte-carlo"] = "propagation"
    frequency_hz: Positive | None = None
    of_this_recording: SavedReach | None = None

    def estimate(self) -> Estimate:
        """The estimate that was saved."""
        return Estimate(
            value=self.value,
            unit=self.unit,
            contributions=self.contributions,
            logarithmic=self.logarithmic,
            frequency_hz=self.frequency_hz,
            widening=self.widening,
            limits=self._limits,
        )

    @model_validator(mode="after")
    def _possible(self) -> Self:
        if self.logarithmic and self.value <= 0:
            raise ValueError(f"{self.value:g} is not positive")
        reach = self.widening * math.hypot(*self.contributions.values())
        if self.logarithmic and reach > 300 * self.value:
            raise ValueError("the uncertainty is hundreds of times the value")
        if self._limits is not None and not self._limits[0] <= self.value <= self._limits[1]:
            raise ValueError("interval_95 does not hold the value")
        return self

    @property
    def _limits(self) -> tuple[float, float] | None:
        """Ends of an interval that does not follow from the contributions."""
        low, high = self.interval_95
        return None if self.interval_by == "propagation" else (low, high)


class SavedImpedance(Saved):
    """An impedance [ohm] over frequency; its magnitude where no more is known."""

    real: _Numbers = Field(default_factory=list)
    imag: _Numbers = Field(default_factory=list)
    magnitude: _Positives = Field(default_factory=list)

    @model_validator(mode="after")
    def _one_kind(self) -> Self:
        if not self.magnitude and not (self.real and self.imag):
            raise ValueError("needs real and imag, or magnitude")
        if len(self.real) != len(self.imag):
            raise ValueError("real and imag differ in length")
        return self

    def array(self) -> NDArray[np.complex128] | NDArray[np.float64]:
        """The array that was saved, shape (n,)."""
        if self.magnitude:
            return np.array(self.magnitude, dtype=np.float64)
        values = np.empty(len(self.real), dtype=np.complex128)
        values.real, values.imag = self.real, self.imag
        return values


class SavedCurve(Saved):
    """One take, and how the model follows it."""

    source: str
    condition: Literal["free-air", "added-mass", "test-box"]
    condition_value: Positive | None
    points: int = 0
    residual_rms_relative: AtLeast0
    frequency_hz: Annotated[_Positives, Field(min_length=1)]
    measured_ohm: SavedImpedance
    model_ohm: SavedImpedance
    motional_ohm: SavedImpedance

    def curve(self) -> FittedCurve:
        """The fitted curve that was saved."""
        return FittedCurve(
            source=self.source,
            condition=self.condition,
            condition_value=self.condition_value,
            frequency_hz=np.array(self.frequency_hz),
            measured_ohm=self.measured_ohm.array(),
            model_ohm=np.asarray(self.model_ohm.array(), dtype=np.complex128),
            motional_ohm=np.asarray(self.motional_ohm.array(), dtype=np.complex128),
            residual_rms_relative=self.residual_rms_relative,
        )

    @model_validator(mode="after")
    def _equally_long(self) -> Self:
        for name in ("measured_ohm", "model_ohm", "motional_ohm"):
            if getattr(self, name).array().shape != (len(self.frequency_hz),):
                raise ValueError(f"{name} is not as long as frequency_hz")
        if np.any(np.diff(self.frequency_hz) <= 0):
            raise ValueError("frequency_hz does not increase")
        if not np.all(self.measured_ohm.array()):
            raise ValueError("measured_ohm: a measured impedance of zero")
        return self


class SavedVerdict(Saved):
    """Verdict on one parameter by its target."""

    parameter: str
    target: float
    lower: float | None
    upper: float | None
    verdict: Literal["inside", "outside", "undecided"]
    text: str = ""


class SavedCovariance(Saved):
    """Covariance of the parameters, for whoever reads the file; follows from contributions."""

    parameters: list[str]
    matrix: list[list[float]]


class SavedFit(Saved):
    """The whole document, in the order in which it is written."""

    format: Literal["freeair-fit/1"]
    unit: str
    model: _Model
    parameters: Annotated[dict[_Symbol, SavedEstimate], Field(min_length=1)]
    curves: Annotated[list[SavedCurve], FailFast(), Field(min_length=1)]
    verdicts: Annotated[list[SavedVerdict], FailFast()] = Field(default_factory=list)
    findings: Findings = Field(default_factory=list)
    warnings: Findings
    sources: dict[str, str]
    covariance: SavedCovariance | None = None
    model_choice: dict[str, Number] = Field(default_factory=dict)

    @model_validator(mode="after")
    def _complete(self) -> Self:
        missing = [name for name in _NEEDED if name not in self.parameters]
        if missing:
            raise ValueError(f"parameters: {', '.join(missing)} is missing")
        for name in self.parameters:
            if name[:1] == "L" and name[1:] in "23456789" and f"R{name[1:]}" not in self.parameters:
                raise ValueError(f"parameters: {name} stands without R{name[1:]}")
        return self
