"""Running ``freeair`` in this process, for tests of many small commands."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import pytest

from cli.main import run


@dataclass(frozen=True)
class Ran:
    """What a command did."""

    status: int
    stdout: str
    stderr: str

    @property
    def told(self) -> str:
        """All that was said, with line breaks as blanks: messages are wrapped to the window."""
        return " ".join((self.stdout + " " + self.stderr).split())


class Invoke:
    """Runs commands and hands back what they printed."""

    def __init__(self, capsys: pytest.CaptureFixture[str]) -> None:
        self._capsys = capsys

    def __call__(self, *words: str | Path) -> Ran:
        self._capsys.readouterr()
        status = run([str(word) for word in words])
        out, err = self._capsys.readouterr()
        return Ran(status, out, err)
