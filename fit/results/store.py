"""A fit as JSON, format ``freeair-fit/1``, and back without loss.

Floats are written in full (the shortest text that reads back the same), so that a fit read back is
the fit that was saved. Each estimate carries the signed effect of every error source under the
source's identity; from these alone follow uncertainties, covariances and what two fits share.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterable, Mapping
from typing import Annotated, Any, Literal

import numpy as np
from numpy.typing import NDArray
from pydantic import BaseModel, ConfigDict, FailFast, Field, ValidationError, model_validator

from fit.results.judge import Verdict
from fit.results.result import FORMAT, DriverFit, Estimate, FittedCurve
from meas.errors import Finding, UnreadableInput

_CHANGED = "The file was changed or cut since it was saved: fit the takes again"
_MOST_READABLE = 1000
_NEEDED = ("Re", "fs", "Qms", "Qes", "Qts")
"""What every fit has, and everything that reads one relies upon."""


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
        fit: What to save.
        unit: Name of the driver measured.
        verdicts: From `fit.results.judge`.
        findings: From `fit.diagnosis.explain`.
        warnings: Further doubts besides the fit's own, such as those of its takes.

    Raises:
        ValueError: If a number is not finite: such a fit must not exist, let alone be saved.
    """
    document = {
        "format": FORMAT,
        "unit": unit,
        "model": fit.model,
        "parameters": {name: _estimate(e) for name, e in fit.parameters.items()},
        "curves": [_curve(curve) for curve in fit.curves],
        "verdicts": [
            {
                "parameter": v.target.parameter,
                "target": v.target.target,
                "lower": v.target.lower,
                "upper": v.target.upper,
                "verdict": v.verdict,
                "text": v.text,
            }
            for v in verdicts
        ],
        "findings": [f.as_json() for f in findings],
        "warnings": [f.as_json() for f in (*fit.warnings, *warnings)],
        "sources": dict(fit.sources),
        "covariance": covariance(fit.parameters),
        "model_choice": {name: float(value) for name, value in fit.model_choice.items()},
    }
    _must_be_finite(document, "fit")
    return document


def covariance(parameters: Mapping[str, Estimate]) -> dict[str, Any]:
    """Covariance matrix of the parameters, in their units: the sum over sources of products.

    Args:
        parameters: Symbol to estimate.

    Returns:
        ``parameters``, the order of rows and columns, and ``matrix``, shape (n, n).

    Source: JCGM 102:2011, 6.2.1.3, with the sources as independent inputs.
    """
    sources = sorted({source for e in parameters.values() for source in e.contributions})
    effect = np.array(
        [[e.contributions.get(source, 0.0) for source in sources] for e in parameters.values()]
    ).reshape(len(parameters), len(sources))
    return {"parameters": list(parameters), "matrix": (effect @ effect.T).tolist()}


def from_json(document: object, *, where: str = "") -> DriverFit:
    """A fit out of its saved form.

    Args:
        document: What ``json.load`` returned.
        where: The file, for messages.

    Raises:
        UnreadableInput: If the document is no saved fit, was written by a newer version, or a
            value in it is missing or impossible; the message names the key.
    """
    _check_format(document, where)
    try:
        saved = _SavedFit.model_validate(document)
    except ValidationError as error:
        if error.error_count() > _MOST_READABLE:  # to tell all of them would fill the memory
            raise UnreadableInput(
                f"{error.error_count()} values are not what they should be in a saved fit",
                where=where,
                remedy=_CHANGED,
            ) from error
        first = error.errors()[0]
        key = ".".join(str(part)[:60] for part in first["loc"]) or "the document"
        raise UnreadableInput(
            f"{key}: {first['msg'][0].lower()}{first['msg'][1:]}",
            where=where,
            remedy=_CHANGED,
        ) from error
    return DriverFit(
        model=saved.model,
        parameters={
            name: Estimate(
                value=e.value,
                unit=e.unit,
                contributions=e.contributions,
                logarithmic=e.logarithmic,
                frequency_hz=e.frequency_hz,
                widening=e.widening,
                limits=e.limits,
            )
            for name, e in saved.parameters.items()
        },
        curves=tuple(
            FittedCurve(
                source=c.source,
                condition=c.condition,
                condition_value=c.condition_value,
                frequency_hz=np.array(c.frequency_hz),
                measured_ohm=c.measured_ohm.array(),
                model_ohm=np.asarray(c.model_ohm.array(), dtype=np.complex128),
                motional_ohm=np.asarray(c.motional_ohm.array(), dtype=np.complex128),
                residual_rms_relative=c.residual_rms_relative,
            )
            for c in saved.curves
        ),
        warnings=tuple(w.finding() for w in saved.warnings),
        sources=saved.sources,
        model_choice=saved.model_choice,
    )


def _estimate(e: Estimate) -> dict[str, Any]:
    low, high = e.interval_95
    saved: dict[str, Any] = {
        "value": float(e.value),
        "unit": e.unit,
        "standard_uncertainty": e.standard_uncertainty,
        "interval_95": [float(low), float(high)],
        "logarithmic": e.logarithmic,
        "widening": float(e.widening),
        "contributions": {source: float(part) for source, part in e.contributions.items()},
    }
    if e.limits is not None:
        saved["interval_by"] = _MONTE_CARLO
    if e.frequency_hz is not None:
        saved["frequency_hz"] = float(e.frequency_hz)
    return saved


def _curve(c: FittedCurve) -> dict[str, Any]:
    return {
        "source": c.source,
        "condition": c.condition,
        "condition_value": c.condition_value,
        "points": int(c.frequency_hz.size),
        "residual_rms_relative": float(c.residual_rms_relative),
        "frequency_hz": c.frequency_hz.tolist(),
        "measured_ohm": _values(c.measured_ohm),
        "model_ohm": _values(c.model_ohm),
        "motional_ohm": _values(c.motional_ohm),
    }


def _values(ohm: NDArray[np.complex128] | NDArray[np.float64]) -> dict[str, list[float]]:
    if np.iscomplexobj(ohm):
        return {"real": ohm.real.tolist(), "imag": ohm.imag.tolist()}
    return {"magnitude": ohm.tolist()}


def _must_be_finite(node: object, key: str) -> None:
    if isinstance(node, float) and not math.isfinite(node):
        raise ValueError(f"{key} is {node}: no fit with such a value may be saved")
    if isinstance(node, dict):
        for name, child in node.items():
            _must_be_finite(child, f"{key}.{name}")
    elif isinstance(node, list):
        for index, child in enumerate(node):
            _must_be_finite(child, f"{key}.{index}")


def _check_format(document: object, where: str) -> None:
    found = document.get("format") if isinstance(document, dict) else None
    if found == FORMAT:
        return
    family, version = FORMAT.split("/")
    match = re.fullmatch(rf"{family}/(\d+)", found) if isinstance(found, str) else None
    if match and int(match[1]) > int(version):
        raise UnreadableInput(
            f"format: {found} was written by a newer version; this one reads {FORMAT}",
            where=where,
            remedy="Update freeair, or fit the takes again with this version",
        )
    raise UnreadableInput(
        f"format: {repr(found)[:60]} is not {FORMAT!r}, so this is no saved fit",
        where=where,
        remedy="Give the JSON that `freeair fit --json` printed",
    )


class _Saved(BaseModel):
    # Keys added later within the same format version are ignored.
    model_config = ConfigDict(extra="ignore", strict=True, allow_inf_nan=False)


# No quantity of a driver comes near these; beyond them arithmetic overflows.
_Number = Annotated[float, Field(ge=-1e30, le=1e30)]
_Positive = Annotated[float, Field(ge=1e-30, le=1e30)]
# Symbols and models become cells, columns and lines of other formats.
_Symbol = Annotated[str, Field(pattern=r"^[A-Za-z][A-Za-z0-9_]{0,40}$")]
_Model = Annotated[str, Field(pattern=r"^[A-Za-z0-9][A-Za-z0-9 _.+-]{0,60}$")]
_MOST_POINTS = 1_000_000
_PROPAGATION: Literal["propagation"] = "propagation"
_MONTE_CARLO: Literal["monte-carlo"] = "monte-carlo"
_Numbers = Annotated[list[_Number], FailFast(), Field(max_length=_MOST_POINTS)]
_Positives = Annotated[list[_Positive], FailFast(), Field(max_length=_MOST_POINTS)]


class _SavedEstimate(_Saved):
    value: _Number
    unit: Literal["ohm", "H", "Hz", "kg", "m/N", "kg/s", "T m", "m3", "m2", "dB", "1"]
    contributions: dict[str, _Number]
    logarithmic: bool
    widening: Annotated[float, Field(ge=1, le=1e6)]
    interval_95: Annotated[list[_Number], Field(min_length=2, max_length=2)] = [0.0, 0.0]
    interval_by: Literal["propagation", "monte-carlo"] = _PROPAGATION
    frequency_hz: _Positive | None = None

    @model_validator(mode="after")
    def _positive_where_logarithmic(self) -> _SavedEstimate:
        if self.logarithmic and self.value <= 0:
            raise ValueError(f"{self.value:g} is not positive")
        reach = self.widening * math.hypot(*self.contributions.values())
        if self.logarithmic and reach > 300 * self.value:
            raise ValueError("the uncertainty is hundreds of times the value")
        if self.limits is not None and not self.limits[0] <= self.value <= self.limits[1]:
            raise ValueError("interval_95 does not hold the value")
        return self

    @property
    def limits(self) -> tuple[float, float] | None:
        """Ends of an interval that does not follow from the contributions."""
        if self.interval_by == _PROPAGATION:
            return None
        low, high = self.interval_95
        return (low, high)


class _SavedValues(_Saved):
    real: _Numbers = []
    imag: _Numbers = []
    magnitude: _Positives = []

    @model_validator(mode="after")
    def _one_kind(self) -> _SavedValues:
        if not self.magnitude and not (self.real and self.imag):
            raise ValueError("needs real and imag, or magnitude")
        if len(self.real) != len(self.imag):
            raise ValueError("real and imag differ in length")
        return self

    def array(self) -> NDArray[np.complex128] | NDArray[np.float64]:
        if self.magnitude:
            return np.array(self.magnitude, dtype=np.float64)
        values = np.empty(len(self.real), dtype=np.complex128)
        values.real, values.imag = self.real, self.imag
        return values


class _SavedCurve(_Saved):
    source: str
    condition: Literal["free-air", "added-mass", "test-box"]
    condition_value: _Positive | None
    residual_rms_relative: Annotated[float, Field(ge=0, le=1e30)]
    frequency_hz: Annotated[_Positives, Field(min_length=1)]
    measured_ohm: _SavedValues
    model_ohm: _SavedValues
    motional_ohm: _SavedValues

    @model_validator(mode="after")
    def _equally_long(self) -> _SavedCurve:
        for name in ("measured_ohm", "model_ohm", "motional_ohm"):
            if getattr(self, name).array().shape != (len(self.frequency_hz),):
                raise ValueError(f"{name} is not as long as frequency_hz")
        if np.any(np.diff(self.frequency_hz) <= 0):
            raise ValueError("frequency_hz does not increase")
        if not np.all(self.measured_ohm.array()):
            raise ValueError("measured_ohm: a measured impedance of zero")
        return self


class _SavedFinding(_Saved):
    code: str
    text: str
    what: str = ""
    ground: str = ""
    next_step: str = ""

    def finding(self) -> Finding:
        return Finding(
            self.code, self.what or self.text, ground=self.ground, next_step=self.next_step
        )


class _SavedFit(_Saved):
    unit: str
    model: _Model
    parameters: Annotated[dict[_Symbol, _SavedEstimate], Field(min_length=1)]
    curves: Annotated[list[_SavedCurve], FailFast(), Field(min_length=1)]
    warnings: Annotated[list[_SavedFinding], FailFast()]
    sources: dict[str, str]
    model_choice: dict[str, _Number] = {}

    @model_validator(mode="after")
    def _complete(self) -> _SavedFit:
        missing = [name for name in _NEEDED if name not in self.parameters]
        if missing:
            raise ValueError(f"parameters: {', '.join(missing)} is missing")
        for name in self.parameters:
            if name[:1] == "L" and name[1:] in "23456789" and f"R{name[1:]}" not in self.parameters:
                raise ValueError(f"parameters: {name} stands without R{name[1:]}")
        return self
