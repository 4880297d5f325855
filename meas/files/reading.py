"""Whole files as bytes, for readers that must neither hang nor fill the memory."""

from __future__ import annotations

import os
from difflib import get_close_matches
from itertools import islice
from pathlib import Path

from meas.errors import UnreadableInput

# A pipe that nobody writes to would be waited for without end; opened like this it is just empty.
_OPEN = os.O_RDONLY | getattr(os, "O_NONBLOCK", 0) | getattr(os, "O_BINARY", 0)
_MOST_BESIDE = 2_000
"""Names of a folder that are looked through for the one that was meant."""


def read_bytes(path: Path, kind: str, largest: int, remedy: str) -> bytes:
    """Read a file whole, unless it is larger than its kind ever is.

    Args:
        path: The file, or a pipe with a writer.
        kind: What it should be, such as "rig file", for messages.
        largest: Most bytes to take into memory; no more than one beyond is ever read.
        remedy: What to do about anything but a wrong name.

    Raises:
        UnreadableInput: If it is missing, a folder, too large, or cannot be read.
    """
    where = str(path)
    try:
        opened = os.open(path, _OPEN)
        with os.fdopen(opened, "rb") as file:
            if hasattr(os, "set_blocking"):
                os.set_blocking(opened, True)
            content = file.read(largest + 1)
    except FileNotFoundError as error:
        raise missing(path) from error
    except (OSError, ValueError) as error:  # ValueError: a zero byte in the name
        if _is_folder(path):
            raise UnreadableInput(
                f"is a folder, not {_with_article(kind)}",
                where=where,
                remedy="Give the name of the file.",
            ) from error
        reason = getattr(error, "strerror", None) or str(error)
        raise UnreadableInput(f"cannot be read ({reason})", where=where, remedy=remedy) from error
    if len(content) > largest:
        raise UnreadableInput(
            f"is larger than {largest / 1e6:g} MB, too large for {_with_article(kind)}",
            where=where,
            remedy=remedy,
        )
    return content


def leads_out(path: Path, folder: Path) -> bool:
    """Tell whether a path leads out of a folder, through links too.

    Raises:
        ValueError: If there is a zero byte in a name.
    """
    return not Path(os.path.realpath(path)).is_relative_to(os.path.realpath(folder))


def missing(path: Path) -> UnreadableInput:
    """The error that `path` does not exist, with the likeliest name beside it."""
    try:
        beside = [entry.name for entry in islice(path.parent.iterdir(), _MOST_BESIDE)]
    except (OSError, ValueError):
        beside = []
    near = get_close_matches(path.name, beside, n=1, cutoff=0.8)
    remedy = f"Did you mean '{path.with_name(near[0])}'?" if near else "Check the name of the file."
    return UnreadableInput("does not exist", where=str(path), remedy=remedy)


def _is_folder(path: Path) -> bool:
    try:
        return path.is_dir()
    except (OSError, ValueError):
        return False


def _with_article(kind: str) -> str:
    return f"{'an' if kind[0] in 'aeiou' else 'a'} {kind}"
