"""A TOML file that people write: its format looked at, and all its faults told at once."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, TypeVar

from meas.errors import UnreadableInput, UsageError
from meas.files.schema_errors import check_version
from meas.files.toml_file import read_toml

T = TypeVar("T")


@dataclass
class SettingsFile:
    """A file while it is read.

    Attributes:
        path: The file.
        content: Its tables and values, the line of its format left out.
        faults: What was found wrong so far.
    """

    path: Path
    content: Mapping[str, Any]
    faults: list[str] = field(default_factory=list)

    def attempt(self, where: str, read: Callable[[], T]) -> T | None:
        """What a reader makes of one value; its complaint is kept instead of raised.

        Args:
            where: The value, for readers that do not name it.
            read: Reads it.
        """
        try:
            return read()
        except UsageError as error:
            text = f"{error.where or where}: {error.what}. {error.remedy}"
            self.faults.append(text.rstrip(". "))
            return None

    def finish(self, remedy: str) -> None:
        """Stop if anything was wrong.

        Raises:
            UnreadableInput: Naming all of it.
        """
        if self.faults:
            raise UnreadableInput("; ".join(self.faults), where=str(self.path), remedy=remedy)


def open_settings(path: Path, family: str, kind: str, *, needs_format: bool = True) -> SettingsFile:
    """Read a TOML file of one of our formats.

    Args:
        path: The file.
        family: Name of its format without the version.
        kind: What it should be, for messages, such as "stock file".
        needs_format: Whether the line of the format may not be left out.

    Raises:
        UnreadableInput: If it cannot be read, is no TOML (with line and column), or was written by
            a newer version.
    """
    content, _ = read_toml(path, kind)
    check_version(content, family, 1, str(path))
    expected = f"{family}/1"
    found = content.pop("format", None if needs_format else expected)
    file = SettingsFile(path, content)
    if found is None:
        file.faults.append(f'the line format = "{expected}" is missing')
    elif found != expected:
        file.faults.append(f"format should be {expected!r}")
    return file
