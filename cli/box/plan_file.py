"""The plan of a box inside what ``freeair box --save`` writes, format ``freeair-box/1``."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, Literal, Self

from pydantic import BaseModel, ConfigDict, Field, model_validator

from meas.files.document import read_document

if TYPE_CHECKING:
    from cli.box.design import Design
    from fit.box.predict import Box

FORMAT = "freeair-box/1"
_REMEDY = "Give the file that 'freeair box --save' wrote."

_Size = Annotated[float, Field(gt=0, lt=1e6)]
"""No box, tube or tuning has a million of anything."""


class _Piece(BaseModel):
    model_config = ConfigDict(frozen=True, extra="ignore", allow_inf_nan=False)


class PlannedVent(_Piece):
    """The tubes of a vent."""

    bore_m: _Size
    length_m: _Size
    length_limits_m: float = 0.0
    tubes: int = 1


class PlannedBox(_Piece):
    """Box that was meant to be built."""

    kind: Literal["closed", "vented"]
    volume_m3: _Size
    fb_hz: _Size | None = None
    QL: _Size | None = None
    vent: PlannedVent | None = None

    @model_validator(mode="after")
    def _tuned(self) -> Self:
        if self.kind == "vented" and (self.fb_hz is None or self.QL is None):
            raise ValueError("a vented box needs fb_hz and QL")
        return self

    @classmethod
    def of(cls, design: Design) -> Self:
        """The plan in a design."""
        box, vent = design.box, design.vent
        plan: dict[str, Any] = {"kind": "closed", "volume_m3": box.volume}
        if box.fb is not None:
            plan |= {"kind": "vented", "fb_hz": box.fb, "QL": box.QL}
        if vent is not None:
            plan["vent"] = PlannedVent(
                bore_m=vent.bore,
                length_m=vent.length,
                length_limits_m=vent.spread,
                tubes=vent.tubes,
            )
        return cls(**plan)

    def box(self) -> Box:
        """The box itself."""
        from fit.box.predict import Box

        if self.fb_hz is None or self.QL is None:
            return Box(self.volume_m3)
        return Box(self.volume_m3, self.fb_hz, self.QL)


class _Document(_Piece):
    format: Literal["freeair-box/1"]
    plan: PlannedBox


def read(path: Path) -> PlannedBox:
    """The plan in a saved box; what was predicted for it is not looked at.

    Raises:
        UnreadableInput: If it is none.
    """
    return read_document(_Document, "freeair-box", path, "plan of a box", _REMEDY).plan
