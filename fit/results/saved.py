"""Strict models, shared by the documents of a fit and of a part, that read, write and check them.

Numbers are written in full (the shortest text that reads back the same). Keys that a later version
adds within the same format are passed over.
"""

from __future__ import annotations

from typing import Annotated, Any, Literal, TypeVar

from pydantic import BaseModel, ConfigDict, FailFast, Field, ValidationError

from fit.results.result import Estimate
from meas.errors import Finding, UnreadableInput, check_version, not_of_format

Model = TypeVar("Model", bound="Saved")

# No quantity of a driver or part comes near these; beyond them arithmetic overflows.
Number = Annotated[float, Field(ge=-1e30, le=1e30)]
Positive = Annotated[float, Field(ge=1e-30, le=1e30)]
AtLeast0 = Annotated[float, Field(ge=0, le=1e30)]

_MOST_READABLE = 1000
_LONGEST_KEY = 60


class Saved(BaseModel):
    """A piece of a document."""

    model_config = ConfigDict(extra="ignore", strict=True, allow_inf_nan=False)


class SavedFinding(Saved):
    """A finding by its code and text, and by the parts of the text where it has several."""

    code: str
    text: str
    what: str = ""
    ground: str = ""
    next_step: str = ""

    def finding(self) -> Finding:
        """The finding that was saved."""
        what = self.what or self.text
        return Finding(self.code, what, ground=self.ground, next_step=self.next_step)


Findings = Annotated[list[SavedFinding], FailFast()]


class SavedValue(Saved):
    """A value with its uncertainty and the effect of every error source on it."""

    value: Number
    unit: Literal["ohm", "H", "F", "Hz", "kg", "m/N", "kg/s", "T m", "m3", "m2", "dB", "1"] = "1"
    standard_uncertainty: AtLeast0 = 0.0
    interval_95: Annotated[list[Number], Field(min_length=2, max_length=2)] = [0.0, 0.0]


def value_of(e: Estimate) -> dict[str, Any]:
    """The fields of a `SavedValue`."""
    return {
        "value": float(e.value),
        "unit": e.unit,
        "standard_uncertainty": e.standard_uncertainty,
        "interval_95": [float(end) for end in e.interval_95],
    }


def checked(model: type[Saved], document: dict[str, Any]) -> dict[str, Any]:
    """A document as it is written, ready for ``json.dumps(..., allow_nan=False)``.

    Raises:
        ValueError: If it could not be read back; the message names the key. Such a result must
            not exist, let alone be saved.
    """
    try:
        return model.model_validate(document).model_dump(exclude_unset=True)
    except ValidationError as error:
        raise ValueError(f"{_reason(error)}: nothing with such a value may be saved") from error


def read(
    model: type[Model], document: object, *, format_: str, kind: str, where: str, remedy: str
) -> Model:
    """A document as its model.

    Args:
        document: What ``json.load`` returned.
        format_: The format that is read, with its version.
        kind: What it should be, for messages, such as "saved fit".
        where: The file, for messages.
        remedy: What to do about a document that is something else, or is damaged.

    Raises:
        UnreadableInput: If it is something else, was written by a newer version, or a value is
            missing or impossible; the message names the key.
    """
    check_version(document, format_.partition("/")[0], where)
    found = document.get("format") if isinstance(document, dict) else None
    if found != format_:
        raise UnreadableInput(not_of_format(kind, found, format_), where=where, remedy=remedy)
    try:
        return model.model_validate(document)
    except ValidationError as error:
        raise UnreadableInput(
            f"is no {kind}: {_reason(error)}", where=where, remedy=remedy
        ) from error


def _reason(error: ValidationError) -> str:
    count = error.error_count()
    if count > _MOST_READABLE:  # to tell all of them would fill the memory
        return f"{count} values are not what they should be"
    first = error.errors()[0]
    key = ".".join(str(part)[:_LONGEST_KEY] for part in first["loc"]) or "the document"
    return f"{key}: {first['msg'][0].lower()}{first['msg'][1:]}"
