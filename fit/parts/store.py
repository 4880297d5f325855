"""A measured part as JSON, format ``freeair-part/1``, and back."""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Field, ValidationError

from fit.parts.against_level import AtLevel
from fit.parts.part_fit import PartFit
from fit.results.result import Estimate
from meas.errors import Finding, UnreadableInput

FORMAT = "freeair-part/1"
REMEDY = "Give the JSON that 'freeair part ... --json' printed or '--save' wrote."


@dataclass(frozen=True)
class KnownValue:
    """A value with its error sources, in SI units.

    Attributes:
        value: The value.
        contributions: Error source to its effect on the value for plus one standard uncertainty.
    """

    value: float
    contributions: dict[str, float]

    @property
    def standard_uncertainty(self) -> float:
        """All sources together."""
        return math.hypot(*self.contributions.values())


@dataclass(frozen=True)
class SavedPart:
    """What a network needs to know of a measured part.

    Attributes:
        name: What it was called.
        kind: ``inductor``, ``capacitor`` or ``resistor``.
        values: ``L R Rcore``, ``C ESR`` or ``R L``, those that were resolved.
    """

    name: str
    kind: Literal["inductor", "capacitor", "resistor"]
    values: dict[str, KnownValue]


def to_json(
    part: PartFit,
    *,
    unit: str,
    source: str,
    levels: Sequence[AtLevel] = (),
    findings: Sequence[Finding] = (),
) -> dict[str, Any]:
    """The saved form of a part, ready for ``json.dumps(..., allow_nan=False)``.

    Args:
        part: What was found.
        unit: Name of the part.
        source: The take or table it came from.
        levels: Of an inductor measured at several levels.
        findings: Doubts besides the part's own.
    """
    value, series = _columns(part.kind)
    return {
        "format": FORMAT,
        "kind": part.kind,
        "unit": unit,
        "parameters": {name: _estimate(e) for name, e in part.parameters.items()},
        "limits": {
            name: {
                **({} if limit.lower is None else {"lower": limit.lower}),
                **({} if limit.upper is None else {"upper": limit.upper}),
                "unit": limit.unit,
            }
            for name, limit in part.limits.items()
        },
        "curves": [
            {
                "source": source,
                "points": int(part.frequency_hz.size),
                "residual_rms_relative": part.residual_rms_relative,
            }
        ],
        "against_frequency": [
            {
                "frequency_hz": row.frequency_hz,
                **(
                    {}
                    if row.value is None
                    else {value: row.value, f"{value}_standard_uncertainty": row.value_uncertainty}
                ),
                **(
                    {}
                    if part.kind == "resistor"
                    else {
                        series: row.series_ohm,
                        f"{series}_standard_uncertainty": row.series_ohm_uncertainty,
                    }
                ),
            }
            for row in part.table
        ],
        "against_level": [
            {
                "source": at.source,
                **({} if at.level_db is None else {"level_db": at.level_db}),
                "change_relative": at.change,
                "standard_uncertainty": at.uncertainty,
            }
            for at in levels
        ],
        "warnings": [w.as_json() for w in (*part.warnings, *findings)],
        "sources": dict(part.sources),
    }


def _columns(kind: str) -> tuple[str, str]:
    return {
        "inductor": ("series_L", "series_R"),
        "capacitor": ("series_C", "ESR"),
        "resistor": ("R", ""),
    }[kind]


def _estimate(e: Estimate) -> dict[str, Any]:
    low, high = e.interval_95
    saved: dict[str, Any] = {
        "value": e.value,
        "unit": e.unit,
        "standard_uncertainty": e.standard_uncertainty,
        "interval_95": [low, high],
        "contributions": dict(e.contributions),
    }
    if e.frequency_hz is not None:
        saved["frequency_hz"] = e.frequency_hz
    return saved


class _Value(BaseModel):
    model_config = ConfigDict(extra="ignore", strict=True, allow_inf_nan=False)
    # No part comes near these limits; beyond them arithmetic overflows.
    value: Annotated[float, Field(ge=1e-30, le=1e30)]
    contributions: dict[str, Annotated[float, Field(ge=-1e30, le=1e30)]]


class _Part(BaseModel):
    model_config = ConfigDict(extra="ignore", strict=True, allow_inf_nan=False)
    format: Literal["freeair-part/1"]
    kind: Literal["inductor", "capacitor", "resistor"]
    unit: str
    parameters: dict[str, _Value]


def from_json(document: object, *, where: str = "") -> SavedPart:
    """A measured part out of its saved form.

    Args:
        document: What ``json.load`` returned.
        where: The file, for messages.

    Raises:
        UnreadableInput: If the document is no saved part, or was written by a newer version.
    """
    named = document.get("format") if isinstance(document, dict) else None
    newer = re.fullmatch(r"freeair-part/([0-9]{1,9})", named) if isinstance(named, str) else None
    if newer and int(newer[1]) > 1:
        raise UnreadableInput(
            f"was written by a newer freeair ({named}, this one reads {FORMAT})",
            where=where,
            remedy="Update freeair to read it.",
        )
    try:
        saved = _Part.model_validate(document)
    except ValidationError as error:
        first = error.errors()[0]
        key = ".".join(str(part)[:40] for part in first["loc"]) or "the document"
        raise UnreadableInput(
            f"is no saved part: {key}: {first['msg'][0].lower()}{first['msg'][1:]}",
            where=where,
            remedy=REMEDY,
        ) from error
    needed = {"inductor": "L", "capacitor": "C", "resistor": "R"}[saved.kind]
    if needed not in saved.parameters:
        raise UnreadableInput(f"has no {needed}", where=where, remedy=REMEDY)
    values = {n: KnownValue(v.value, v.contributions) for n, v in saved.parameters.items()}
    return SavedPart(saved.unit, saved.kind, values)
