"""Lines of the ledger: what each says, and whether it says it rightly.

A checksum tells a torn line; it does not tell who wrote it. Whatever is read out of a line later
is looked at here, once.
"""

from __future__ import annotations

import re
import zlib
from typing import Annotated, Literal

from pydantic import BaseModel, Field, TypeAdapter, ValidationError

from cli.archive.tables import UNITS
from meas.takes.record import is_time

Time = Annotated[str, Field(max_length=64)]


class Result(BaseModel):
    """Inputs of a fit; its row and its body stand behind it.

    Attributes:
        key: Digest of all that the result depends on: inputs, options, models.
        id: Unit, label, time of the first take.
        inputs: Path to digest.
    """

    kind: Literal["result"]
    key: str
    time: Time
    id: tuple[str, str, str]
    inputs: dict[str, str]
    options: str
    models: str


class Completed(BaseModel):
    """A refit came to its end.

    Attributes:
        time: When, for people.
        keys: Keys of all its results.
        number: One more than of any before; what a clock says orders nothing.
    """

    kind: Literal["completed"]
    time: Time
    keys: list[str]
    number: int = Field(default=0, ge=0, lt=2**53)


class Wrote(BaseModel):
    """A table or page of this content is ours."""

    kind: Literal["wrote"]
    digest: str


class Claimed(BaseModel):
    """A running refit is at a fit, or lets go of it without a result."""

    kind: Literal["claimed", "released"]
    key: str


Line = Result | Completed | Wrote | Claimed
_LINE: TypeAdapter[Line] = TypeAdapter(Annotated[Line, Field(discriminator="kind")])


class _Reason(BaseModel):
    code: str
    text: str


_Finite = Annotated[float, Field(allow_inf_nan=False)]
_Estimate = (
    tuple[_Finite, str, _Finite, _Finite, _Finite, _Finite]
    | tuple[_Finite, str, _Finite, _Finite, _Finite, _Finite, _Finite]
)


class _Row(BaseModel):
    unit: str
    label: str
    first: str
    last: str
    takes: int
    left_out: list[tuple[str, str, str, str, bool]]
    model: str = ""
    reasons: list[_Reason] = []
    parameters: dict[str, _Estimate] | None = None


def parse(pieces: list[bytes]) -> Line | None:
    """Read a line of head, row and body; None where it is not as it should be."""
    try:
        line = _LINE.validate_json(pieces[0], strict=True)
        if isinstance(line, Result):
            row = _Row.model_validate_json(pieces[1], strict=True)
            times = all(not time or is_time(time) for time in (row.first, row.last, line.id[2]))
            if not times or not _is_complete(row):
                return None
    except ValidationError:
        return None
    return line


def _is_complete(row: _Row) -> bool:
    """Tell whether a row has parameters that tables have columns for, or else a reason."""
    if row.parameters is None:
        return bool(row.reasons)
    return all(
        re.fullmatch("[A-Za-z][A-Za-z0-9_]*", symbol) and found[1] in UNITS
        for symbol, found in row.parameters.items()
    )


def written(head: str, row: str = "{}", body: str = "{}") -> tuple[bytes, tuple[int, int, int]]:
    """A line, and where head, row and body begin in it."""
    pieces = [piece.encode() for piece in (head, row, body)]
    content = b"\t".join(pieces)
    starts = (9, 10 + len(pieces[0]), 11 + len(pieces[0]) + len(pieces[1]))
    return b"%08x\t%s\n" % (zlib.crc32(content), content), starts


def pieces_of(line: bytes) -> list[bytes] | None:
    """Head, row and body of a whole line; None where it is damaged."""
    checksum, _, content = line.partition(b"\t")
    pieces = content[:-1].split(b"\t")
    whole = len(pieces) == 3 and checksum == b"%08x" % zlib.crc32(content[:-1])
    return pieces if whole else None
