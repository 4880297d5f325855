"""One door to whatever holds a curve, a fit, a part or targets, with one set of refusals."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace
from itertools import combinations
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

from cli.terminal import show
from meas.errors import Refused, UnreadableInput, UsageError
from meas.files.outside_text import composed

if TYPE_CHECKING:
    from cli.sources.targets_file import TargetsFile
    from fit.parts.store import SavedPart
    from fit.results.result import DriverFit
    from meas.bench.rig import Kind
    from meas.curve import Curve
    from meas.errors import Finding
    from meas.takes.take import Take

Content = Literal["curve", "document", "targets", "recording", "folder"]

_BY_SUFFIX: dict[str, Content] = {
    ".csv": "curve",
    ".tsv": "curve",
    ".s1p": "curve",
    ".json": "document",
    ".toml": "targets",
    ".wav": "recording",
    ".flac": "recording",
}
_WORDS: dict[Content, str] = {
    "curve": "a take or an impedance table",
    "document": "a saved fit or part (JSON)",
    "targets": "a file of settings (TOML)",
    "recording": "a recording",
    "folder": "a folder",
}
_KINDS = {"driver": "a driver", "part": "a passive part", "system": "a driver in its finished box"}


@dataclass(frozen=True)
class OpenedCurve:
    """A curve and where it came from.

    Attributes:
        text: As named on the command line.
        take: The take; None for a table.
        findings: Doubts that the take came with.
    """

    text: str
    name: str
    curve: Curve
    take: Take | None
    findings: tuple[Finding, ...] = ()


@contextmanager
def naming(where: str) -> Iterator[None]:
    """Name what a refusal inside the block is about, where it does not say so itself.

    Raises:
        Refused: As raised inside.
    """
    try:
        yield
    except Refused as error:
        where = error.where or where
        raise Refused(error.reasons, where=where, remedy=error.remedy) from error


def refuse_named_twice(texts: Sequence[str]) -> None:
    """Stop where one file or folder is named twice, under whatever names.

    Raises:
        UsageError: Naming it.
    """
    for before, one in combinations(texts, 2):
        if Path(one).exists() and Path(before).exists() and Path(before).samefile(one):
            raise _given_twice(one, before, "Name it once.")


def _given_twice(name: str, before: str, remedy: str) -> UsageError:
    as_what = "" if name == before else f", as {before}"
    return UsageError(f"is given twice{as_what}", where=name, remedy=remedy)


def is_document(path: Path) -> bool:
    """Tell whether a path names a saved fit or part rather than a take or a table."""
    return _content(path) == "document"


def curve(text: str, kinds: Sequence[Kind] = ()) -> OpenedCurve:
    """Open a take's folder, an impedance table (CSV) or a Touchstone file (.s1p).

    Args:
        text: As named on the command line.
        kinds: What may have been measured; empty: anything. A table does not say its kind; its
            values are checked against those of drivers unless it may be a part.

    Raises:
        UnreadableInput: If it is none of these.
        UsageError: If it is a take of something else.
        Refused: If the take was refused when it was made, or a table is in evidently wrong
            units or belongs to nothing passive.
    """
    from meas.takes import take as takes

    path = Path(text)
    _refuse_other(path, "curve", "Give a take, an impedance table (CSV) or a Touchstone file.")
    if not takes.is_take(path):
        return OpenedCurve(text, composed(path.stem), _table(path, kinds), None)
    take = takes.load(path)
    if take.refused or take.curve is None:
        raise Refused(
            take.reasons,
            where=text,
            remedy="This take was refused when it was made and supports no numbers; its "
            "capture.wav is kept. Measure again.",
        )
    if kinds and take.kind not in kinds:
        raise UsageError(
            f"is a take of {_KINDS[take.kind]}, not of {_KINDS[kinds[0]]}",
            where=text,
            remedy=f"Take it with --kind {kinds[0]}: each kind has checks of its own.",
        )
    return OpenedCurve(text, composed(take.unit), take.curve, take, take.findings)


def _table(path: Path, kinds: Sequence[Kind]) -> Curve:
    from meas.tables import any_file, csv_table

    found = any_file.read(path)
    nameless = path.suffix.lower() != ".s1p" and csv_table.has_no_header(path)
    if nameless:
        show.default_taken(f"{path.name} has no header: its columns are taken as Hz, ohm, degrees")
    is_part = "part" in kinds
    if nameless or (kinds and not is_part):
        from meas.validity.of_causality import doubts_of_table, table_not_causal

        if doubts := (table_not_causal if is_part else doubts_of_table)(found):
            raise Refused(doubts, where=str(path))
    return found


def fit(path: Path) -> tuple[str, DriverFit]:
    """Name of the driver and its fit, out of a saved fit.

    Raises:
        UnreadableInput: If it cannot be read or is no saved fit.
    """
    from fit.results import store

    return fit_in(document(path, "saved fit", store.REMEDY), path)


def fit_in(document: Any, path: Path) -> tuple[str, DriverFit]:
    """Name of the driver and its fit, out of the document of a saved fit.

    Raises:
        UnreadableInput: If it is no saved fit.
    """
    from fit.results import store

    if isinstance(document, dict) and document.get("refused") is True:
        raise UnreadableInput(
            "is the refusal of a fit, not a fit",
            where=str(path),
            remedy="Its reasons say what to do; measure again and fit again.",
        )
    found = store.from_json(document, where=str(path))
    return composed(str(document["unit"])), found


def part(path: Path) -> SavedPart:
    """A measured part, out of what ``freeair part --save`` wrote.

    Raises:
        UnreadableInput: If it cannot be read or is no saved part.
    """
    from fit.parts import store

    return store.from_json(document(path, "saved part", store.REMEDY), where=str(path))


def targets(path: Path) -> TargetsFile:
    """Read what a driver is meant to become, and what is known of its coil.

    Raises:
        UnreadableInput: If it cannot be read or is no targets file.
    """
    from cli.sources import targets_file

    _refuse_other(path, "targets", "Give a targets file; make one with: freeair targets new FILE")
    return targets_file.read(path)


def document(path: Path, kind: str, remedy: str) -> Any:
    """Content of a saved fit, part or the like, not looked at yet.

    Raises:
        UnreadableInput: If it cannot be read, or something else is named.
    """
    from meas.files.json_file import read_json

    _refuse_other(path, "document", remedy)
    return read_json(path, kind, remedy)[0]


def _content(path: Path) -> Content | None:
    """Content of a path, by what it is and how its name ends; None where neither says so."""
    from meas.takes import take as takes

    if not takes.is_take(path):
        return _BY_SUFFIX.get(path.suffix.lower())
    return "folder" if path.is_dir() and not (path / "take.json").exists() else "curve"


def _refuse_other(path: Path, wanted: Content, remedy: str) -> None:
    """Stop where another thing is named than is wanted; what does not exist is left to its reader.

    Raises:
        UnreadableInput: Naming both.
    """
    found = _content(path)
    if not found or found == wanted or not path.exists():
        return
    if found == "folder":
        if wanted == "curve":
            return  # its reader names the takes in it
        inside = sorted(one for one in path.glob("*.json") if wanted == "document")
        remedy = f"Name the file in it, such as '{inside[0]}'" if inside else remedy
    if found == "recording":
        remedy = f"Make a take of it: freeair import {path} --rig FILE --unit NAME"
    raise UnreadableInput(
        f"is {_WORDS[found]}, not {_WORDS[wanted]}", where=str(path), remedy=remedy
    )


def refuse_twice(source: OpenedCurve, seen: dict[bytes, str]) -> None:
    """Refuse a measurement that was given before, under whatever name.

    Args:
        seen: What each one so far holds, and how it was named; this one is added.

    Raises:
        UsageError: Naming both.
    """
    # By what it holds: a copy, a link or another case of its letters is another name for it.
    content = source.curve.frequency_hz.tobytes() + source.curve.magnitude_ohm.tobytes()
    # A simulated bench of one seed repeats itself: what is taken anew is another take.
    content += b"" if source.take is None else source.take.taken_at.encode("utf-8", "replace")
    if content in seen:
        remedy = "Name every take and every table once: one measurement counts once."
        raise _given_twice(source.text, seen[content], remedy)
    seen[content] = source.text


def scaled(sources: Sequence[OpenedCurve], table_tolerance: str | None) -> list[OpenedCurve]:
    """Curves of which those of tables have the error that all their ohms share.

    Args:
        table_tolerance: Limits of that error as written; a default that is taken is said.

    Raises:
        UsageError: If it cannot be read, or there is no table to have it.
    """
    from cli.words import table_scale

    scale = table_scale.read(table_tolerance)
    table_scale.refuse_without_tables(
        table_tolerance, tables=not all(source.take for source in sources)
    )
    found = []
    for source in sources:
        curve = source.curve if source.take else scale.on(Path(source.text), source.curve)
        if curve is not source.curve:
            scale.tell([source.name])
        found.append(replace(source, curve=curve))
    return found
