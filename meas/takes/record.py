"""Contents of take.json: what a take says of itself, and everything else that is kept of it.

Read strictly by these models. `meas.takes.take.save` writes the same keys without asking them: a
capture must be kept even where something in it is odd.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from itertools import islice
from pathlib import Path
from typing import Annotated, Literal, Self, TypeVar

from pydantic import BaseModel, ConfigDict, FailFast, Field, model_validator

from meas.audio.protocol import StreamEvent
from meas.bench.rig import Kind, Rig
from meas.correction.input_difference import InputDifference
from meas.errors import Finding, UnreadableInput
from meas.files.document import read_document
from meas.files.reading import missing

FILE = "take.json"
FORMAT: Literal["freeair-take/1"] = "freeair-take/1"
ADVICE = "Restore the take from a copy, or measure again; takes are not meant to be edited."
_MOST_INSIDE = 1000
"""Takes of a folder that are looked through for the one to name."""
_LARGEST = 4_000_000  # bytes; with a dozen standards of 1000 points it has a million

ConditionName = Literal["free-air", "added-mass", "test-box"]
Scalars = Mapping[str, str | float | bool | None]


@dataclass(frozen=True)
class TakeCondition:
    """Condition in which the unit was measured.

    Attributes:
        name: Free air, added mass or test box.
        value: The mass [kg] or the net volume [m3]; None in free air.
        half_width: Half-width of the limits that were stated, same unit; None when none were.
        written: As the person wrote it; empty in free air.
    """

    name: ConditionName = "free-air"
    value: float | None = None
    half_width: float | None = None
    written: str = ""


class _Finding(BaseModel):
    """A finding as take.json keeps it: in one text, with its places."""

    model_config = ConfigDict(extra="forbid")

    code: str
    text: str
    refuses: bool = False
    at_seconds: tuple[float, ...] = ()
    at_hz: tuple[float, ...] = ()


class Head(BaseModel):
    """Identity of a take: enough to know where it belongs."""

    model_config = ConfigDict(extra="ignore", allow_inf_nan=False)

    format: Literal["freeair-take/1"]
    unit: str
    kind: Kind
    condition: TakeCondition
    label: str
    taken_at: str
    refused: bool
    findings: Annotated[tuple[_Finding, ...], FailFast()]

    @model_validator(mode="after")
    def _consistent(self) -> Self:
        condition = self.condition
        if condition.name == "free-air":
            if condition.value is not None or condition.half_width is not None:
                raise ValueError("condition: free air has no value")
        elif condition.value is None or condition.value <= 0:
            raise ValueError(f"condition.value: {condition.name} needs a value above zero")
        if condition.half_width is not None and condition.half_width <= 0:
            raise ValueError("condition.half_width must be above zero")
        if self.refused != any(finding.refuses for finding in self.findings):
            raise ValueError("refused contradicts the findings")
        if not is_time(self.taken_at):
            raise ValueError("taken_at is no ISO 8601 time with offset")
        return self

    def found(self) -> tuple[Finding, ...]:
        """The findings of the take."""
        return tuple(
            Finding(one.code, one.text, one.refuses, at_seconds=one.at_seconds, at_hz=one.at_hz)
            for one in self.findings
        )


class Record(Head):
    """Whole content of take.json."""

    model_config = ConfigDict(extra="forbid", allow_inf_nan=False)

    points: int = Field(ge=0, description="rows of impedance.csv; 0: there is none")
    sample_rate_hz: int = Field(gt=0)
    peak: tuple[float | None, float | None]
    excitation: dict[str, str | float | bool | None]
    stream: dict[str, str | float | bool | None]
    events: Annotated[tuple[StreamEvent, ...], FailFast()]
    environment: dict[str, float]
    software: str
    rig: Rig
    inputs_differ: InputDifference | None = None

    @model_validator(mode="after")
    def _supported(self) -> Self:
        if self.refused and self.points:
            raise ValueError("points: a refused take has no curve")
        if self.points and self.rig.wiring.series_resistor_ohm is None:
            raise ValueError("rig.wiring.series_resistor_ohm is missing though there is a curve")
        return self


Model = TypeVar("Model", bound=Head)


def read(model: type[Model], folder: Path) -> Model:
    """Read the take.json of a folder.

    Args:
        model: `Record`, or `Head` where the rest is left to whoever uses the take.

    Raises:
        UnreadableInput: If there is none, something in it is wrong, or a newer version wrote it.
    """
    try:
        return read_document(model, "freeair-take", folder / FILE, "take", ADVICE, _LARGEST)
    except UnreadableInput as error:
        if not isinstance(error.__cause__, FileNotFoundError):
            raise
        if not folder.is_dir():
            raise missing(folder) from error
        raise _no_take(folder) from error


def _no_take(folder: Path) -> UnreadableInput:
    """A folder that is no take, with the takes that lie in it."""
    what = f"is no take: there is no {FILE} in it"
    remedy = "Give the folder that a take was saved in, or an impedance table (CSV)."
    found = (one.parent for depth in ("*", "*/*") for one in folder.glob(f"{depth}/{FILE}"))
    if inside := sorted(islice(found, _MOST_INSIDE)):
        what = "is a folder with takes in it, not a take"
        remedy = f"Name the take, such as '{inside[0]}'"
    return UnreadableInput(what, where=str(folder), remedy=remedy)


def is_time(text: str) -> bool:
    """Tell whether a text is a time with its offset, ISO 8601."""
    try:
        return datetime.fromisoformat(text).tzinfo is not None
    except ValueError:
        return False
