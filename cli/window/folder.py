"""Contents of the folder, read anew whenever a window asks: takes, fits, rigs, targets, tables.

The folder is the current one. No name that comes from a window leads out of it, through links
either. What was read is kept only as long as its file stays as it was.
"""

from __future__ import annotations

import json
import os
import threading
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

from meas.errors import FreeairError, UsageError
from meas.files.reading import leads_out
from meas.tables.any_file import SUFFIXES

if TYPE_CHECKING:
    from fit.results.result import DriverFit
    from meas.bench.rig import Rig
    from meas.curve import Curve
    from meas.takes.take import Take

RECORDINGS = (".wav", ".flac")
_DEEPEST, _MOST = 4, 4000
_LARGEST_JSON = 20_000_000

T = TypeVar("T")


@dataclass(frozen=True, eq=False)
class Entry:
    """File or take of the folder.

    Attributes:
        path: Below the folder, with slashes.
        kind: ``take``, ``table``, ``fit``, ``rig``, ``targets``, ``part``, ``plan``, ``limits``
            or ``recording``.
        content: What it holds as read: `Take`, a curve, a saved fit's document, a rig...; None
            where it cannot be read.
        fault: Why it cannot be read; else empty.
        changed: When it was last changed [s].
    """

    path: str
    kind: str
    content: Any
    fault: str
    changed: float


@dataclass(frozen=True, eq=False)
class SavedFit:
    """A saved fit: the document with all that was said, and the fit in it."""

    unit: str
    fit: DriverFit
    document: dict[str, Any]


_KEPT: dict[tuple[str, str], tuple[tuple[int, int], Any]] = {}
_LOCK = threading.Lock()


def root() -> Path:
    """Find the folder itself.

    Raises:
        UsageError: If it was removed since the window was opened.
    """
    try:
        return Path.cwd().resolve()
    except OSError as error:
        raise UsageError(
            "the folder of this window is gone",
            remedy="End the window with Ctrl-C, and open a folder that is there.",
        ) from error


def inside(name: str) -> Path:
    """Check that a name leads to a path below the folder.

    Raises:
        UsageError: If the name leads anywhere else.
    """
    whole = root()
    fault = UsageError(
        "lies outside the folder of this window",
        where=name[:200].replace("\0", "?"),
        remedy="Copy it into the folder, or open the folder in which it lies.",
    )
    path = Path(name)
    unusual = not path.parts or "\0" in name or "\\" in name or path.is_absolute()
    if unusual or leads_out(whole / path, whole):
        raise fault
    return path


def entries() -> list[Entry]:
    """List everything of ours in the folder, the latest first."""
    found = [one for path, kind in _files() if (one := _entry(path, kind)) is not None]
    return sorted(found, key=lambda one: (-one.changed, one.path))


def of_kind(*kinds: str) -> list[Entry]:
    """List the readable entries of some kinds, the latest first."""
    return [one for one in entries() if one.kind in kinds and not one.fault]


def take(name: str) -> Take:
    """Read a take of the folder.

    Raises:
        UsageError: If it is elsewhere or cannot be read.
    """
    from meas.takes import take as takes

    return kept("take", name, takes.load)


def rig(name: str) -> Rig:
    """Read a rig of the folder.

    Raises:
        UsageError: If it is elsewhere or cannot be read.
    """
    from meas.bench import rig_file

    return rig_file.read(inside(name))


def saved_fit(name: str) -> SavedFit:
    """Read a saved fit of the folder.

    Raises:
        UsageError: If it is elsewhere or cannot be read.
    """
    return kept("fit", name, _read_fit)


def curve(name: str) -> Curve:
    """Read the curve of a take or of a table.

    Raises:
        UsageError: If it is elsewhere or cannot be read.
    """
    from meas.tables import any_file

    path = inside(name)
    if path.suffix.lower() in SUFFIXES:
        return kept("table", name, any_file.read)
    found = take(name).curve
    if found is None:
        raise UsageError("the take was refused and has no curve", where=name)
    return found


def free_name(folder: str, stem: str, ending: str) -> str:
    """Find a name in the folder that nothing has yet, safe on any file system."""
    from cli.sources import free_name as names

    return names.free_name(Path(folder), stem, ending).as_posix()


def _files() -> Iterator[tuple[Path, str]]:
    """Walk over paths with what their names promise, a bounded number of them."""
    todo: list[tuple[Path, int]] = [(Path(), 0)]
    count = 0
    whole = root()
    while todo and count < _MOST:
        folder, depth = todo.pop()
        try:
            inner = sorted(os.scandir(folder), key=lambda entry: entry.name)
        except OSError:
            continue
        names = {entry.name for entry in inner}
        if "take.json" in names and folder != Path():
            yield folder, "take"
            count += 1
            continue
        if "refit.json" in names:
            continue
        for entry in inner:
            path = folder / entry.name
            if entry.name.startswith(".") or leads_out(path, whole):
                continue
            if path.is_dir():  # False for a link to itself
                if depth < _DEEPEST:
                    todo.append((path, depth + 1))
                continue
            kind = _KINDS.get(path.suffix.lower())
            if kind is not None:
                yield path, kind
                count += 1


_KINDS = {
    **dict.fromkeys(SUFFIXES, "table"),
    **dict.fromkeys(RECORDINGS, "recording"),
    ".json": "json",
    ".toml": "toml",
}
_OF_FORMAT = {
    "freeair-fit": "fit",
    "freeair-part": "part",
    "freeair-box": "plan",
    "freeair-rig": "rig",
    "freeair-targets": "targets",
    "freeair-series": "limits",
    "freeair-network": "network",
    "freeair-stock": "stock",
}


def _entry(path: Path, kind: str) -> Entry | None:
    try:
        about = (path / "take.json" if kind == "take" else path).stat()
    except OSError:
        return None
    name = path.as_posix()
    content, fault = None, ""
    try:
        if kind == "take":
            content = take(name)
        elif kind == "table":
            content = curve(name)
        elif kind in ("json", "toml"):
            said = kept("format", name, _format)
            kind = _OF_FORMAT.get(said, "")
            if kind == "fit":
                content = saved_fit(name)
            elif kind == "rig":
                content = rig(name)
    except FreeairError as error:
        fault = error.in_words()
    return Entry(name, kind, content, fault, about.st_mtime) if kind else None


def kept(kind: str, name: str, read: Callable[[Path], T]) -> T:
    """Read what a file holds, once for every state of it.

    Args:
        kind: Of what is read out of it.
        name: Of a file of the folder, or of a take.

    Raises:
        UsageError: If it is elsewhere, or what the reading raises.
    """
    path = inside(name)
    probe = path / "take.json" if kind == "take" else path
    try:
        about = probe.stat()
        state = (about.st_mtime_ns, about.st_size)
    except OSError:
        return read(path)
    key = (kind, str(path.absolute()))
    with _LOCK:
        held = _KEPT.get(key)
    if held is None or held[0] != state:
        held = (state, read(path))
        with _LOCK:
            _KEPT[key] = held
    found: T = held[1]
    return found


def _read_fit(path: Path) -> SavedFit:
    from cli.sources import opened

    unit, fitted = opened.fit(path)
    document = json.loads(path.read_text(encoding="utf-8"))
    return SavedFit(unit, fitted, document)


def _format(path: Path) -> str:
    """Find the format family that a JSON or TOML file names; empty for files of others."""
    import re

    try:
        if path.stat().st_size > _LARGEST_JSON:
            return ""
        text = path.read_text(encoding="utf-8", errors="replace")
    except OSError:
        return ""
    found = re.search(r"""["']?format["']?\s*[:=]\s*["'](freeair-[a-z-]+)/""", text[:4000])
    return found[1] if found else ""
