"""Standard streams of the program, whatever it was started with: closed, full, or gone."""

from __future__ import annotations

import io
import os
import sys
from typing import Any, TextIO


class _Lasting(io.FileIO):
    """A stream that goes on when nothing more fits: the work matters more than what is said of it.

    A reader who has gone still ends the program, as everywhere.
    """

    error: OSError | None = None

    def write(self, content: Any) -> int:
        try:
            return super().write(content) or 0
        except BrokenPipeError:
            raise
        except OSError as error:
            self.error = error
            return memoryview(content).nbytes


def prepare() -> None:
    """Make streams that can be written to, come what may; for the program alone.

    Where one is closed, the next file opened would take its place and get everything printed.
    """
    for descriptor in (0, 1, 2):
        try:
            os.fstat(descriptor)
        except OSError:
            os.open(os.devnull, os.O_RDWR)  # the lowest that is free
    sys.stdin = sys.stdin or open(0, closefd=False, encoding="utf-8")  # noqa: SIM115 - stays open
    sys.stdout, sys.stderr = _lasting(sys.stdout, 1), _lasting(sys.stderr, 2)


def _lasting(stream: TextIO | None, descriptor: int) -> TextIO:
    if stream is not None and stream.isatty():
        return stream
    return io.TextIOWrapper(
        io.BufferedWriter(_Lasting(descriptor, "wb", closefd=False)),
        encoding=getattr(stream, "encoding", None) or "utf-8",
        errors="backslashreplace" if descriptor == 2 else getattr(stream, "errors", "strict"),
        line_buffering=descriptor == 2,
    )


def trouble() -> str:
    """Reason why standard output did not take all that was printed; empty where it did."""
    raw: Any = getattr(getattr(sys.stdout, "buffer", None), "raw", None)
    if not isinstance(raw, _Lasting):
        return ""
    try:
        sys.stdout.flush()
    except BrokenPipeError:
        sys.stdout = None  # Python would complain again while closing it
        return ""
    return (raw.error.strerror or str(raw.error)) if raw.error else ""
