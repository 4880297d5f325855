"""A power cut at any step of whatever writes files, without a power switch.

Every call by which Python changes a file system counts as a step. At the step that is asked for
the power goes: nothing that is done afterwards has any effect (cleaning up included), and what was
written and not flushed to the medium is half lost. Flushed data and names stay: that is the worst
that an operating system which keeps its promises may leave (POSIX.1-2017, fsync()).
"""

from __future__ import annotations

import builtins
import io
import os
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any

import pytest
import soundfile

_CHANGING = ("link", "rename", "replace", "mkdir", "unlink", "remove", "rmdir", "chmod", "symlink",
             "truncate", "ftruncate", "fsync", "write")  # fmt: skip


class PowerCut(BaseException):
    """Nothing of ours may catch it, as nothing catches a power cut."""


class Mains:
    """The power: counts steps, and goes off at one of them."""

    def __init__(self, folder: Path, off_at: int | None) -> None:
        self.folder = folder
        self.off_at = off_at
        self.steps: list[str] = []
        self.unflushed: set[int] = set()

    @property
    def off(self) -> bool:
        return self.off_at is not None and len(self.steps) > self.off_at

    def step(self, what: str) -> bool:
        """One more step; True if the power goes in the middle of it."""
        if self.off:
            raise PowerCut(what)
        self.steps.append(what)
        return self.off

    def lose(self) -> None:
        """Half of what was never flushed is gone."""
        for path in self.folder.rglob("*"):
            if path.is_file() and path.stat().st_ino in self.unflushed:
                content = path.read_bytes()
                path.write_bytes(content[: len(content) // 2])


class _Written:
    """A file open for writing whose writes are steps."""

    def __init__(self, file: Any, mains: Mains) -> None:
        self._file, self._mains = file, mains

    def write(self, content: Any) -> int:
        torn = self._mains.step("write to a file")
        self._mains.unflushed.add(os.fstat(self._file.fileno()).st_ino)
        done = self._file.write(content[: len(content) // 2] if torn else content)
        if torn:
            raise PowerCut("write")
        return int(done)

    def __enter__(self) -> _Written:
        return self

    def __exit__(self, *_: object) -> None:
        self._file.close()

    def __getattr__(self, name: str) -> Any:
        return getattr(self._file, name)


@contextmanager
def mains(folder: Path, off_at: int | None = None) -> Iterator[Mains]:
    """Everything that changes files below goes through these mains.

    Args:
        folder: Where files are written.
        off_at: The step, from 0, at which the power goes; None: never.
    """
    power = Mains(folder, off_at)
    with pytest.MonkeyPatch.context() as patch:
        for name in _CHANGING:
            patch.setattr(os, name, _changing(getattr(os, name), name, power))
        opened = _opening(io.open, power)
        patch.setattr(io, "open", opened)
        patch.setattr(builtins, "open", opened)
        patch.setattr(soundfile, "write", _capturing(soundfile.write, power))
        with suppress(PowerCut):
            yield power
    power.lose()


def _changing(real: Callable[..., Any], name: str, power: Mains) -> Callable[..., Any]:
    def call(*given: Any, **named: Any) -> Any:
        if power.step(f"os.{name}"):
            raise PowerCut(name)
        if name == "fsync":
            power.unflushed.discard(os.fstat(given[0]).st_ino)
        return real(*given, **named)

    return call


def _opening(real: Callable[..., Any], power: Mains) -> Callable[..., Any]:
    def call(file: Any, mode: str = "r", *given: Any, **named: Any) -> Any:
        if not set(mode) & set("wxa+"):
            return real(file, mode, *given, **named)
        if power.step("open for writing"):
            raise PowerCut("open")
        return _Written(real(file, mode, *given, **named), power)

    return call


def _capturing(real: Callable[..., Any], power: Mains) -> Callable[..., Any]:
    """The library writes by itself; what it has written is not flushed."""

    def call(path: str, *given: Any, **named: Any) -> None:
        torn = power.step("soundfile.write")
        real(path, *given, **named)
        power.unflushed.add(Path(path).stat().st_ino)
        if torn:
            raise PowerCut("soundfile.write")

    return call
