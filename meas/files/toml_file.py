"""Reading TOML files that people edit."""

from __future__ import annotations

import json
import re
import tomllib
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from meas.errors import UnreadableInput
from meas.files.reading import read_bytes

_LARGEST = 4_000_000  # bytes; a rig with a dozen standards of 400 points has 0.4 million

# Keys of very many parts keep the parser busy with the square of their number.
_LONG_KEY = re.compile(
    r"""(?<![A-Za-z0-9_-])(?:(?:[A-Za-z0-9_-]+|"[^"\n]*"|'[^'\n]*')[ \t]*\.[ \t]*){32}"""
)
_LARGEST_INTEGER = 2**63  # TOML 1.0.0, Integer: 64 bits; what does not fit is an error


def read_toml(path: Path, kind: str) -> tuple[dict[str, Any], str]:
    """Read a TOML file.

    Args:
        kind: What it should be, such as "rig file", for messages.

    Returns:
        Its content, and its text for editing (without a byte order mark).

    Raises:
        UnreadableInput: If it cannot be read, with line and column where the syntax is wrong.
    """
    content = read_bytes(path, kind, _LARGEST, f"Give a {kind}.")
    try:
        text = content.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        raise UnreadableInput(
            f"is no text in UTF-8 (byte {error.start})",
            where=str(path),
            remedy=f"Give a {kind}, or save it as UTF-8.",
        ) from error
    try:
        if long := _LONG_KEY.search(text):
            line = text.count("\n", 0, long.start()) + 1
            raise ValueError(f"a key of more than 32 parts (at line {line})")
        document = tomllib.loads(text)
        _check_integers(document)
    except (ValueError, RecursionError) as error:
        what = f"is no valid TOML: {error}"
        remedy = f"Mend that line, or make a new {kind}; text stands in double quotes."
        if text.lstrip().startswith("{"):
            what, remedy = f"is no {kind} but a document (JSON)", f"Give a {kind} (TOML)."
        raise UnreadableInput(what, where=str(path), remedy=remedy) from error
    return document, text


def as_json(content: Mapping[str, Any]) -> str:
    """Content of a TOML file as JSON, which models read strictly.

    Dates are the one thing that TOML has and JSON has not; they become text.
    """
    return json.dumps(content, default=lambda value: value.isoformat())


def _check_integers(value: object) -> None:
    if isinstance(value, dict):
        for item in value.values():
            _check_integers(item)
    elif isinstance(value, list):
        for item in value:
            _check_integers(item)
    elif isinstance(value, int) and not -_LARGEST_INTEGER <= value < _LARGEST_INTEGER:
        raise ValueError("an integer of more than 64 bits")
