"""Reading TOML files that people edit."""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Any

from meas.errors import UnreadableInput


def read_toml(path: Path, kind: str) -> tuple[dict[str, Any], str]:
    """Read a TOML file.

    Args:
        path: The file.
        kind: What it should be, such as "rig file", for messages.

    Returns:
        Its content, and its text for editing (without a byte order mark).

    Raises:
        UnreadableInput: If it cannot be read, with line and column where the syntax is wrong.
    """
    try:
        text = path.read_bytes().decode("utf-8-sig")
        return tomllib.loads(text), text
    except FileNotFoundError as error:
        raise UnreadableInput(
            f"there is no such {kind}", where=str(path), remedy="Check the name of the file."
        ) from error
    except IsADirectoryError as error:
        raise UnreadableInput(
            f"is a folder, not a {kind}", where=str(path), remedy="Give the name of the file."
        ) from error
    except UnicodeDecodeError as error:
        raise UnreadableInput(
            f"is no text in UTF-8 (byte {error.start})",
            where=str(path),
            remedy=f"Give a {kind}, or save it as UTF-8.",
        ) from error
    except OSError as error:
        raise UnreadableInput(
            f"cannot be read ({error.strerror})", where=str(path), remedy=f"Give a {kind}."
        ) from error
    except (ValueError, RecursionError) as error:
        raise UnreadableInput(
            f"is no valid TOML: {error}",
            where=str(path),
            remedy=f"Mend that line, or make a new {kind}; text stands in double quotes.",
        ) from error
