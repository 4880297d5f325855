"""Ledger of all fits: segments to which lines are only ever appended.

Every running refit writes a segment of its own, so that several on one archive cannot mix their
lines, and ten thousand results are a few files. A line holds a checksum, a head, a row for tables
and the whole result. It is one call of the operating system, so that a process that is killed
leaves nothing but whole lines, and a power cut at worst a torn last one, which the checksum
tells. Lines reach the medium at least every second: a fit takes longer than that to do again
only where a fit takes longer.

Results are found by the digest of everything they depend on. A line ``completed`` lists the keys
of all states of a finished refit: what the next one is compared with. A line ``claimed`` says that
a refit is at a fit, as long as it lives: it holds a lock on its segment.
"""

from __future__ import annotations

import io
import json
import os
import secrets
import stat
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass
from datetime import UTC, datetime
from hashlib import file_digest, sha256
from pathlib import Path
from typing import Any, BinaryIO

from cli.archive.files import MARK, MARK_FORMAT, is_ours
from cli.archive.ledger_lines import Completed, Result, Wrote, parse, pieces_of, written
from cli.archive.states import Identity
from meas.errors import UsageError
from meas.files.json_file import read_json
from meas.files.lock import hold, is_held, one_writer
from meas.files.writing import unwritable, write_text, write_with

_SEGMENT = "freeair-refit-ledger/1"
_FLUSH_SECONDS = 1.0
_LONGEST_LINE = 64_000_000
_ABOUT = (
    "Made by freeair refit. The ledger holds every fit; tables and the page are written anew from "
    "it each time. To forget all fits, remove this folder."
)


@dataclass(frozen=True, slots=True)
class Place:
    """Place of a result: segment, and where head, row and body begin; ``end`` ends the line."""

    segment: int
    head: int
    row: int
    body: int
    end: int


class Ledger:
    """All earlier fits, and those that are being added.

    Args:
        out: Folder of the refit, made when missing.

    Raises:
        UsageError: If the folder holds something else, or cannot be written.
    """

    def __init__(self, out: Path) -> None:
        self.out = out
        self.damaged = 0
        self.last_completed = ""
        self._folder = out / "ledger"
        self._segments: list[Path] = []
        self._open: dict[int, BinaryIO] = {}
        self._places: dict[str, Place] = {}
        self._claims: dict[str, int] = {}  # key to segment
        self._ended: set[int] = set()  # segments whose refit runs no more
        self._completed: tuple[str, ...] = ()
        self._finished = 0
        self._written: set[str] = set()
        self._read_to: dict[int, int] = {}
        self._own: int | None = None
        self._own_index = -1
        self._end = 0
        self._flushed = 0.0
        _claim(out, self._folder)
        self._catch_up()
        self.before = self._completed
        """Keys of the last refit that was finished."""

    def place(self, key: str) -> Place | None:
        """Place of a key's result; None where there is none."""
        return self._places.get(key)

    def head(self, place: Place) -> dict[str, Any]:
        """Identity, inputs, options, models and time of a result."""
        return dict(json.loads(self._piece(place, place.head, place.row)))

    def row(self, place: Place) -> dict[str, Any]:
        """Part of a result that tables need."""
        return dict(json.loads(self._piece(place, place.row, place.body)))

    def body(self, place: Place) -> str:
        """The whole result, JSON."""
        return self._piece(place, place.body, place.end)

    def add(self, key: str, head: Mapping[str, Any], row: str, body: str) -> Place:
        """Keep a result.

        Args:
            key: What it depends on.
            head: ``id``, ``inputs``, ``options``, ``models``.
            row: JSON.
            body: JSON.

        Raises:
            UsageError: If it cannot be written.
        """
        content = {"kind": "result", "key": key, "time": _now(), **head}
        self._places[key] = self._append(json.dumps(content), row, body)
        return self._places[key]

    def claim(self, key: str, *, anyway: bool = False) -> bool:
        """Take on a fit, unless another refit has made it or, if not ``anyway``, is at it.

        Where the system has no locks nobody is seen to be at it: the fit is made twice then.

        Raises:
            UsageError: If the ledger cannot be written.
        """
        with one_writer(self._folder / "any"):
            self._catch_up()
            if key in self._places:
                return False
            by = self._claims.get(key, -1)
            if by not in (-1, self._own_index) and not anyway and self._runs(by):
                return False
            self._append(json.dumps({"kind": "claimed", "key": key}))
            return True

    def release(self, key: str) -> None:
        """Let go of a fit that came to no result."""
        self._append(json.dumps({"kind": "released", "key": key}))

    def forget(self, key: str) -> None:
        """Drop a result whose body is damaged."""
        self.damaged += 1
        del self._places[key]

    def _runs(self, segment: int) -> bool:
        """Tell whether the refit that writes a segment is still there."""
        if segment not in self._ended and not is_held(self._segments[segment]):
            self._ended.add(segment)
        return segment not in self._ended

    def complete(self, keys: Sequence[str]) -> None:
        """Say that a refit is finished, unless the last one ended with the same results."""
        if tuple(keys) != self._completed:
            content = {"kind": "completed", "time": _now(), "keys": list(keys)}
            self._append(json.dumps(content | {"number": self._finished + 1}))
            self._completed = tuple(keys)
            self.flush()

    def may_replace(self, path: Path) -> None:
        """Make sure that a file which stands in the way is one that a refit wrote, unchanged.

        Raises:
            UsageError: If it was changed since, or never was ours.
        """
        if not path.exists():
            return
        with suppress(OSError), path.open("rb") as file:
            digest = file_digest(file, "sha256").hexdigest()
            if digest in self._written:
                return
            self._catch_up()  # another refit may have ended meanwhile
            if digest in self._written:
                return
        raise UsageError(
            "was changed, or made by somebody else, and is not overwritten",
            where=str(path),
            remedy="Move it away, or give another folder: --out DIR.",
        )

    def write(self, path: Path, fill: Callable[[BinaryIO], object]) -> None:
        """Write a file whole or not at all in place of what a refit wrote there before.

        That it is ours is kept before it gets its name, so that the next refit may replace it.

        Raises:
            UsageError: As `may_replace`, or if it cannot be written.
        """

        def written(file: BinaryIO) -> None:
            through = _Digesting(file)
            fill(through)
            digest = through.digest.hexdigest()
            if digest not in self._written:
                self._written.add(digest)
                self._append(json.dumps({"kind": "wrote", "digest": digest}))
                self.flush()

        self.may_replace(path)
        write_with(path, written, overwrite=True)

    def flush(self) -> None:
        """Bring everything onto the medium.

        Raises:
            UsageError: If that fails.
        """
        if self._own is not None:
            try:
                os.fsync(self._own)
            except OSError as error:
                raise unwritable(self._segments[self._own_index], error) from error
            self._flushed = time.monotonic()

    def close(self) -> None:
        """Flush, and let go of all files."""
        try:
            self.flush()
        finally:
            if self._own is not None:
                os.close(self._own)
                self._own = None
            for file in self._open.values():
                file.close()
            self._open.clear()

    def _append(self, head: str, row: str = "{}", body: str = "{}") -> Place:
        line, starts = written(head, row, body)
        try:
            own = self._begin() if self._own is None else self._own
            start = self._end
            rest = memoryview(line)
            while rest:  # a full disk writes a part, and says so at the next call
                rest = rest[os.write(own, rest) :]
            self._end += len(line)
        except OSError as error:
            raise unwritable(self._folder, error) from error
        if time.monotonic() - self._flushed > _FLUSH_SECONDS:
            self.flush()
        return Place(self._own_index, *(start + at for at in starts), start + len(line))

    def _begin(self) -> int:
        name = f"{datetime.now(UTC):%Y%m%dT%H%M%S}-{secrets.token_hex(4)}.lines"
        path = self._folder / name
        how = os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_APPEND
        how |= getattr(os, "O_BINARY", 0)  # Windows would write two bytes for each line's end
        self._own = os.open(path, how, 0o666)
        hold(self._own)
        self._own_index = len(self._segments)
        self._segments.append(path)
        os.write(self._own, f"{_SEGMENT}\n".encode())
        self._end = len(_SEGMENT) + 1
        with suppress(OSError):  # the name of the segment, too, survives a power cut
            folder = os.open(self._folder, os.O_RDONLY)
            try:
                os.fsync(folder)
            finally:
                os.close(folder)
        return self._own

    def _piece(self, place: Place, start: int, stop: int) -> str:
        file = self._open.get(place.segment)
        if file is None:
            file = self._open[place.segment] = self._segments[place.segment].open("rb")
        file.seek(start)
        return file.read(stop - start - 1).decode()

    def _catch_up(self) -> None:
        """Read what is new in the ledger, our own segment apart."""
        for path in sorted(self._folder.glob("*.lines")):
            if path not in self._segments:
                self._segments.append(path)
            index = self._segments.index(path)
            if index != self._own_index:
                self._read(index, path)

    def _read(self, index: int, path: Path) -> None:
        """Read a segment from where it was read to; pass over what is none, or cannot be read."""
        begin = self._read_to.get(index, 0)
        if begin < 0:
            return
        try:
            if not stat.S_ISREG(path.lstat().st_mode):  # a link leads anywhere, a pipe has no end
                self._give_up(index)
                return
            with path.open("rb") as file:
                first = b"" if begin else file.readline(_LONGEST_LINE)
                if not begin and first != f"{_SEGMENT}\n".encode():
                    if first.endswith(b"\n") or len(first) > len(_SEGMENT):
                        self._give_up(index)  # else another refit is just beginning it
                    return
                file.seek(begin or file.tell())
                for start, line in _lines(file):
                    if not line.endswith(b"\n"):  # another refit may be at it
                        if len(line) == _LONGEST_LINE:
                            self._give_up(index)
                        return
                    self._take_in(index, start, line)
                    self._read_to[index] = start + len(line)
        except OSError:
            self._give_up(index)

    def _give_up(self, index: int) -> None:
        self.damaged += 1
        self._read_to[index] = -1

    def _take_in(self, segment: int, start: int, line: bytes) -> None:
        pieces = pieces_of(line)
        said = None if pieces is None else parse(pieces)
        if pieces is None or said is None:
            self.damaged += 1
        elif isinstance(said, Result):
            row = start + 9 + len(pieces[0]) + 1
            body = row + len(pieces[1]) + 1
            self._places[said.key] = Place(segment, start + 9, row, body, start + len(line))
        elif isinstance(said, Completed):
            # Times say less: one finished under a clock of 2099 would be the last for ever.
            if (said.number, said.time) >= (self._finished, self.last_completed):
                self._completed, self.last_completed = tuple(said.keys), said.time
            self._finished = max(said.number, self._finished)
        elif isinstance(said, Wrote):
            self._written.add(said.digest)
        elif said.kind == "claimed":
            self._claims[said.key] = segment
        elif self._claims.get(said.key) == segment:
            del self._claims[said.key]


class _Digesting(io.BufferedIOBase):
    """A binary file that knows the digest of what went through it."""

    def __init__(self, file: BinaryIO) -> None:
        super().__init__()
        self.digest = sha256()
        self._file = file

    def writable(self) -> bool:
        return True

    def write(self, content: Any) -> int:
        self.digest.update(content)
        return self._file.write(content)

    def flush(self) -> None:
        if not self._file.closed:
            self._file.flush()


def _lines(file: BinaryIO) -> Iterator[tuple[int, bytes]]:
    start = file.tell()
    while line := file.readline(_LONGEST_LINE):
        yield start, line
        start += len(line)


def _now() -> str:
    return datetime.now(UTC).isoformat(timespec="microseconds")


def identity_of(head: Mapping[str, Any]) -> Identity:
    """The state that a head belongs to."""
    unit, label, first = head["id"]
    return str(unit), str(label), str(first)


def _claim(out: Path, folder: Path) -> None:
    """Make the folder of a refit, or make sure that it is one."""
    try:
        if not (out / MARK).is_file():
            # What is hidden may be the mark of another refit that begins at this very moment.
            if out.exists() and (not out.is_dir() or any(_visible(out))):
                raise UsageError(
                    "exists, and holds something else than a refit",
                    where=str(out),
                    remedy="Give an empty folder or a new one: --out DIR.",
                )
            out.mkdir(parents=True, exist_ok=True)
            mark = json.dumps({"format": MARK_FORMAT, "about": _ABOUT}, indent=1)
            write_text(out / MARK, mark + "\n", overwrite=True)
        folder.mkdir(exist_ok=True)
        if folder.is_symlink():
            raise UsageError(
                "is a link, and results belong into the folder itself",
                where=str(folder),
                remedy="Put the folder there instead, or give another one: --out DIR.",
            )
    except OSError as error:
        raise unwritable(out, error) from error
    _check_version(out)


def _visible(folder: Path) -> Iterator[Path]:
    return (path for path in folder.iterdir() if path.name != MARK and path.name[0] != ".")


def _check_version(out: Path) -> None:
    remedy = "Update freeair, or give another folder: --out DIR."
    said = read_json(out / MARK, "mark", remedy)[0] if is_ours(out / MARK) else {}
    if said.get("format") != MARK_FORMAT:
        raise UsageError(
            f"its {MARK} is damaged, or of a newer version", where=str(out), remedy=remedy
        )
