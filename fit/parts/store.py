"""A measured part as JSON, format ``freeair-part/1``, and back."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Literal

from pydantic import Field

from fit.parts.against_frequency import PartRow
from fit.parts.against_level import AtLevel
from fit.parts.part_fit import PartFit, PartKind
from fit.parts.passive import LETTER
from fit.results.result import Estimate
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
from meas.errors import Finding, UnreadableInput

FORMAT: Literal["freeair-part/1"] = "freeair-part/1"
_KIND = "saved part"
REMEDY = "Give the JSON that 'freeair part ... --json' printed or '--save' wrote."


@dataclass(frozen=True)
class SavedPart:
    """Measured part as a network needs it.

    Attributes:
        kind: ``inductor``, ``capacitor`` or ``resistor``.
        values: ``L R Rcore``, ``C ESR`` or ``R L``, those that were resolved.
    """

    name: str
    kind: PartKind
    values: dict[str, Estimate]


def to_json(
    part: PartFit,
    *,
    unit: str,
    source: str,
    levels: Sequence[AtLevel] = (),
    findings: Sequence[Finding] = (),
) -> dict[str, Any]:
    """The saved form of a part, ready for ``json.dumps(..., allow_nan=False)``."""
    document = {
        "format": FORMAT,
        "kind": part.kind,
        "unit": unit,
        "parameters": {name: _estimate(e) for name, e in part.parameters.items()},
        "limits": {name: _given(vars(limit)) for name, limit in part.limits.items()},
        "curves": [
            {
                "source": source,
                "points": int(part.frequency_hz.size),
                "residual_rms_relative": part.residual_rms_relative,
            }
        ],
        "against_frequency": [_row(part.kind, row) for row in part.table],
        "against_level": [
            _given(
                {
                    "source": at.source,
                    "level_db": at.level_db,
                    "change_relative": at.change,
                    "standard_uncertainty": at.uncertainty,
                }
            )
            for at in levels
        ],
        "warnings": [finding.as_json() for finding in (*part.warnings, *findings)],
        "sources": dict(part.sources),
    }
    return checked(_SavedPart, document)


def from_json(document: object, *, where: str = "") -> SavedPart:
    """A measured part out of its saved form.

    Args:
        document: What ``json.load`` returned.
        where: The file, for messages.

    Raises:
        UnreadableInput: If the document is no saved part, or was written by a newer version.
    """
    saved = read(_SavedPart, document, format_=FORMAT, kind=_KIND, where=where, remedy=REMEDY)
    needed = LETTER[saved.kind]
    if needed not in saved.parameters:
        raise UnreadableInput(f"has no {needed}", where=where, remedy=REMEDY)
    values = {
        name: Estimate(v.value, v.unit, v.contributions, v.logarithmic, v.frequency_hz, v.widening)
        for name, v in saved.parameters.items()
    }
    return SavedPart(saved.unit, saved.kind, values)


def _row(kind: PartKind, row: PartRow) -> dict[str, float]:
    """One line against frequency: the value where it is told, and what stands in series with it."""
    value, series = {
        "inductor": ("series_L", "series_R"),
        "capacitor": ("series_C", "ESR"),
        "resistor": ("R", ""),
    }[kind]
    columns: list[tuple[str, float | None, float]] = [
        (value, row.value, row.value_uncertainty),
        (series, row.series_ohm, row.series_ohm_uncertainty),
    ]
    line: dict[str, float] = {"frequency_hz": row.frequency_hz}
    for name, number, uncertainty in columns:
        if name and number is not None:
            line |= {name: number, f"{name}_standard_uncertainty": uncertainty}
    return line


def _estimate(e: Estimate) -> dict[str, Any]:
    kept = {
        "contributions": dict(e.contributions), "frequency_hz": e.frequency_hz,
        "logarithmic": e.logarithmic, "widening": e.widening,
    }  # fmt: skip
    return value_of(e) | _given(kept)


def _given(fields: Mapping[str, Any]) -> dict[str, Any]:
    """Keep what there is; a key without a value is left out."""
    return {key: value for key, value in fields.items() if value is not None}


class _Value(SavedValue):
    value: Positive
    contributions: dict[str, Number]
    frequency_hz: Positive | None = None
    logarithmic: bool = True
    widening: AtLeast0 = 1.0


class _Limit(Saved):
    lower: float | None = None
    upper: float | None = None
    unit: str


class _Curve(Saved):
    source: str
    points: int
    residual_rms_relative: AtLeast0


class _AtLevel(Saved):
    source: str
    level_db: float | None = None
    change_relative: float
    standard_uncertainty: float


class _SavedPart(Saved):
    """The whole document, in the order in which it is written."""

    format: Literal["freeair-part/1"]
    kind: PartKind
    unit: str
    parameters: dict[str, _Value]
    limits: dict[str, _Limit] = Field(default_factory=dict)
    curves: list[_Curve] = Field(default_factory=list)
    against_frequency: list[dict[str, float]] = Field(default_factory=list)
    against_level: list[_AtLevel] = Field(default_factory=list)
    warnings: Findings = Field(default_factory=list)
    sources: dict[str, str] = Field(default_factory=dict)
