"""Contents of an archive: takes and impedance tables, with what each says of itself.

A folder with ``take.json`` is a take. Any other file that ends in .csv, .tsv or .s1p is an
impedance table, and may say in its comments what a take knows of itself::

    # unit: lantern-7
    # label: after 12 h
    # added-mass: 7.5g±0.1g      (or test-box: 6.8L)
    # taken-at: 2026-03-01T10:00:00+01:00

Without these it is a free-air curve of the unit that the file is named after. Names that begin
with a dot, and folders that a refit made, are passed by.
"""

from __future__ import annotations

import codecs
import os
import re
import stat
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from hashlib import file_digest, sha256
from pathlib import Path

from cli.words import values
from meas.errors import Refused, UsageError, refusals
from meas.files.json_file import read_json
from meas.files.outside_text import composed
from meas.files.reading import leads_out, read_bytes
from meas.tables import any_file, csv_table
from meas.takes import record
from meas.takes.record import TakeCondition, is_time
from meas.takes.take import CAPTURE, DISTORTION, IMPEDANCE, RANDOM_ONLY, RECORD

MARK = "refit.json"
"""In every folder that a refit made."""

MARK_FORMAT = "freeair-refit-folder/1"

_LARGEST_FILE = 100_000_000
_ADVICE = "Restore the take from a copy, or measure again."
_HEAD_BYTES = 65536
_LARGEST_MARK = 10_000
_PLAIN_OHMS = b"# HZ Z RI R 1"
_IMPEDANCE = b"frequency_hz,resistance_ohm,reactance_ohm"
_KEYS = ("unit", "label", "added-mass", "test-box", "taken-at", "condition")


@dataclass(frozen=True, slots=True)
class Measured:
    """One take or table.

    Attributes:
        path: Below the archive, with slashes.
        taken_at: ISO 8601 with offset; empty where a table does not say.
        digest: Digest of everything in it that a fit depends on.
        rows: Digest of its numbers alone: copies have it in common.
    """

    path: str
    take: bool
    unit: str
    label: str
    taken_at: str
    condition: TakeCondition
    digest: str
    rows: str


@dataclass(frozen=True, slots=True)
class LeftOut:
    """Something that takes part in no fit, and why.

    Attributes:
        source: Below the archive, with slashes.
        unit: Unit as far as known, else empty.
        fault: Whether somebody must look: a take that was refused when it was made, and a take
            of something else than a driver, are where they belong.
    """

    source: str
    unit: str
    code: str
    text: str
    remedy: str
    fault: bool = True


def look(archive: Path, *, captures: bool = False) -> Iterator[Measured | LeftOut]:
    """Look through everything below a folder, in a fixed order.

    Args:
        captures: Whether the recordings will be analysed again: refused takes then count, and
            the recording is part of the digest.
    """
    root = archive.resolve()
    folders = [archive]
    while folders:
        folder = folders.pop()
        try:
            inside = sorted(os.scandir(folder), key=lambda entry: entry.name)
        except OSError as error:
            yield _unreadable(archive, folder, error)
            continue
        names = {entry.name for entry in inside}
        if MARK in names and is_ours(folder / MARK):
            continue
        if RECORD in names:
            yield _take(archive, folder, root, captures=captures)
            continue
        passed_by: tuple[str, ...] = ()
        if CAPTURE in names and IMPEDANCE in names:
            passed_by = IMPEDANCE, DISTORTION
            yield LeftOut(
                _below(archive, folder), "", "unreadable", f"is a take without its {RECORD}",
                "Restore it from a copy, or import the recording: freeair import.",
            )  # fmt: skip
        shown = [one for one in inside if one.name[0] != "." and one.name not in passed_by]
        deeper = [Path(one) for one in shown if one.is_dir(follow_symlinks=False)]
        folders += reversed(deeper)
        files = (Path(one) for one in shown if not one.is_dir(follow_symlinks=False))
        yield from filter(None, (_file(archive, path, root) for path in files))


def _file(archive: Path, path: Path, root: Path) -> Measured | LeftOut | None:
    """A table, or a link that is not followed; None for any other file."""
    if path.suffix.lower() in any_file.SUFFIXES:
        why = _no_file(path, root)
        return _not_opened(archive, path, why) if why else _table(archive, path)
    # A link to a folder inside is passed by, for that is looked at where it lies.
    if path.is_symlink() and path.is_dir() and leads_out(path, root):
        return _not_opened(archive, path, "is a link out of the archive")
    return None


def _no_file(path: Path, root: Path) -> str:
    """Say why a path is not opened: only files are, and those that a link inside the archive names.

    A pipe would be waited for without end, a device may have none, and what a link names outside
    is nobody's measurement here.
    """
    try:
        about = path.lstat()
        if stat.S_ISLNK(about.st_mode):
            about = path.stat()
            if leads_out(path, root):
                return "is a link out of the archive"
    except OSError:
        return "is a link that leads nowhere"
    return "" if stat.S_ISREG(about.st_mode) else "is a folder, a pipe or a device, not a file"


def _not_opened(archive: Path, path: Path, why: str) -> LeftOut:
    return LeftOut(_below(archive, path), "", "not-opened", why, "Copy what belongs here into it.")


def _below(archive: Path, path: Path) -> str:
    return path.relative_to(archive).as_posix()


def is_ours(mark: Path) -> bool:
    """Tell whether a file is the mark of a folder that a refit made."""
    try:
        said = read_json(mark, "mark of a refit", "", _LARGEST_MARK)[0]
    except UsageError:
        return False
    return isinstance(said, dict) and str(said.get("format", "")).startswith("freeair-refit-folder")


def _unreadable(archive: Path, path: Path, error: OSError) -> LeftOut:
    reason = error.strerror or str(error)
    text, remedy = f"cannot be read ({reason})", "Check the medium and who may read it."
    return LeftOut(_below(archive, path), "", "unreadable", text, remedy)


def left_out(source: str, unit: str, error: UsageError | Refused) -> LeftOut:
    """A source with the error that it raised."""
    code = error.reasons[0].code if isinstance(error, Refused) else "unreadable"
    said = "; ".join(r.text for r in error.reasons) if isinstance(error, Refused) else error.what
    text = f"{error.at}: {said}" if error.at else said  # the file stands beside
    return LeftOut(source, unit, code, text, error.remedy)


def digest_of(*pieces: bytes) -> str:
    """Digest some contents, each with its length so that none flows into the next."""
    whole = sha256()
    for piece in pieces:
        whole.update(len(piece).to_bytes(8, "little"))
        whole.update(piece)
    return whole.hexdigest()[:32]


def digest_take(folder: Path, *, captures: bool) -> str:
    """Digest of everything in a take that a fit of it depends on.

    Raises:
        OSError: If a file cannot be read.
    """
    names = (RECORD, IMPEDANCE, DISTORTION, *((CAPTURE,) if captures else ()))
    pieces = []
    for name in names:
        if (folder / name).is_file():
            with (folder / name).open("rb") as file:
                pieces.append(file_digest(file, "sha256").digest())
        else:
            pieces.append(b"")
    return digest_of(*pieces)


def digest_table(path: Path) -> str:
    """Digest of a table.

    Raises:
        UnreadableInput: If it cannot be read.
    """
    return digest_of(_content(path))


def _content(path: Path) -> bytes:
    return read_bytes(path, "impedance table", _LARGEST_FILE, "Move it out of the archive.")


def _take(archive: Path, folder: Path, root: Path, *, captures: bool) -> Measured | LeftOut:
    source = _below(archive, folder)
    for name in (RECORD, IMPEDANCE, DISTORTION, CAPTURE):
        if os.path.lexists(folder / name) and (why := _no_file(folder / name, root)):
            return LeftOut(source, "", "not-opened", f"its {name} {why}", _ADVICE)
    try:
        said = record.read(record.Head, folder)
        if said.kind != "driver":
            text = f"is a take of a {'passive part' if said.kind == 'part' else 'finished system'}"
            return LeftOut(source, said.unit, "not-a-driver", text, "", fault=False)
        if said.refused and not captures:
            reasons = refusals(said.findings)
            text = "; ".join(reason.text for reason in reasons)
            remedy = "It was refused when it was made. Measure again; the capture is kept."
            return LeftOut(source, said.unit, reasons[0].code, text, remedy, fault=False)
        digest = digest_take(folder, captures=captures)
        table = folder / IMPEDANCE
        rows = _rows(_content(table), "#") if table.is_file() else digest
    except OSError as error:
        return _unreadable(archive, folder, error)
    except (UsageError, Refused) as error:
        return left_out(source, "", error)
    unit, label = composed(said.unit), composed(said.label)
    return Measured(source, True, unit, label, said.taken_at, said.condition, digest, rows)


def _table(archive: Path, path: Path) -> Measured | LeftOut:
    source = _below(archive, path)
    sign = "!" if path.suffix.lower() == ".s1p" else "#"
    try:
        content = _content(path)
        said = _comments(content, sign)
        condition = _condition(said)
    except UsageError as error:
        return left_out(source, "", error)
    unit = said.get("unit") or composed(path.stem)
    return Measured(
        source, False, unit, said.get("label", ""), said.get("taken-at", ""), condition,
        digest_of(content), _rows(content, sign),
    )  # fmt: skip


def _rows(content: bytes, sign: str) -> str:
    """Digest of a table's numbers: no comments, no blank lines, nothing beside the impedance."""
    whole = sha256()
    for row in _bare_rows(content, sign):
        whole.update(row + b"\n")
    return whole.hexdigest()[:32]


def _bare_rows(content: bytes, sign: str) -> Iterator[bytes]:
    """Header and rows one after the other, for they may be many and short."""
    header = b""
    plain = False
    for line in re.finditer(rb"[^\r\n]+", content):
        bare = line[0].strip()
        if not bare or bare[:1] == sign.encode():
            continue
        if not header:
            plain = sign == "!" and bare == _PLAIN_OHMS
            bare = header = _IMPEDANCE if plain else bare
        elif plain:  # Touchstone as we export it: the same numbers
            bare = b",".join(bare.split())
        # What stands behind, an export may add to.
        yield b",".join(bare.split(b",", 3)[:3]) if header.startswith(_IMPEDANCE) else bare


def _comments(content: bytes, sign: str) -> Mapping[str, str]:
    """Read what the comments at the head of a table say of it.

    Raises:
        UsageError: If they say that it was no measurement of its own.
    """
    wide = content.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE))
    head = content[:_HEAD_BYTES].decode("utf-16" if wide else "utf-8-sig", "replace")
    said: dict[str, str] = {}
    for line in re.split(r"\r\n|\n|\r", head):
        bare = line.strip().strip('",;\t ')  # spreadsheets quote a line, and fill it up
        if not bare.startswith(sign):
            continue
        comment = bare[1:].strip()
        if comment.startswith(csv_table.COMPUTED):
            raise UsageError(
                "was computed from a fit, not measured", remedy="Move it out of the archive."
            )
        if comment.startswith(RANDOM_ONLY):
            raise UsageError(
                f"belongs to a take, whose {RECORD} is not beside it",
                remedy="Restore the take from a copy: alone this table claims too much.",
            )
        key, colon, text = comment.partition(":")
        if colon and key.strip().lower() in _KEYS:
            said[key.strip().lower()] = composed(text.strip())
    return said


def _condition(said: Mapping[str, str]) -> TakeCondition:
    """Read the condition of a table out of its comments.

    Raises:
        UsageError: If the comments contradict themselves or cannot be read.
    """
    if said.get("taken-at") and not is_time(said["taken-at"]):
        raise UsageError(
            f"taken-at '{said['taken-at']}' is no time with its offset",
            remedy="Write it like 2026-03-01T10:00:00+01:00.",
        )
    stated = [name for name in ("added-mass", "test-box") if said.get(name)]
    if len(stated) > 1:
        raise UsageError("says added-mass and test-box at once", remedy="Keep the one that is so.")
    named = said.get("condition", stated[0] if stated else "free-air")
    if named != (stated[0] if stated else "free-air"):
        what = "mass" if named == "added-mass" else "volume"
        raise UsageError(
            f"says 'condition: {named}' and not which {what}"
            if not stated
            else f"says 'condition: {named}' and '{stated[0]}: {said[stated[0]]}'",
            remedy="Add a comment line such as '# added-mass: 7.5g' or '# test-box: 6.8L'.",
        )
    if not stated:
        return TakeCondition()
    read = values.mass if stated[0] == "added-mass" else values.volume
    value = read(said[stated[0]], "")
    return TakeCondition(
        "added-mass" if stated[0] == "added-mass" else "test-box",
        value.value,
        value.half_width,
        value.written,
    )
