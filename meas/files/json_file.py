"""JSON files that programs write, and people sometimes edit."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

from meas.errors import UnreadableInput
from meas.files.reading import read_bytes
from meas.files.writing import write_text

LARGEST = 32_000_000
"""Bytes; a fit of a hundred long takes has ten million."""


def read_json(path: Path, kind: str, remedy: str, largest: int = LARGEST) -> tuple[Any, str]:
    """Read a JSON file.

    Args:
        kind: What it should be, such as "saved fit", for messages.
        remedy: What to do when it is none.
        largest: Bytes that a file of this kind has at most.

    Returns:
        Its content, and its text.

    Raises:
        UnreadableInput: If it cannot be read, is too large, or is no JSON. What JSON itself does
            not know (NaN, infinities, numbers beyond any float) is no JSON here either.
    """
    where = str(path)
    content = read_bytes(path, kind, largest, remedy)
    try:
        text = content.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        raise UnreadableInput(
            f"cannot be read (no text in UTF-8 at byte {error.start})", where=where, remedy=remedy
        ) from error
    try:
        return json.loads(text, parse_constant=_no_constant, parse_int=_whole), text
    except (ValueError, RecursionError) as error:
        raise UnreadableInput(f"is no JSON: {error}", where=where, remedy=remedy) from error


def write_json(path: Path, content: Any) -> None:
    """Write a new JSON file, whole or not at all.

    Raises:
        UsageError: If it exists or cannot be written.
    """
    write_text(path, as_text(content))


def as_text(content: Any) -> str:
    """The text of a JSON file."""
    return json.dumps(content, ensure_ascii=False, allow_nan=False) + "\n"


def _no_constant(name: str) -> float:
    raise ValueError(f"{name} is no value")


def _whole(digits: str) -> int:
    """Integers that a float can hold: longer ones overflow in whatever is done with them."""
    if len(digits) > 300:
        raise ValueError(f"a number of {len(digits)} digits")
    return int(digits)
