"""The index of a folder: every unit with its latest values, verdict, curve and pages."""

from __future__ import annotations

import os
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date
from html.parser import HTMLParser
from pathlib import Path
from typing import TYPE_CHECKING, Any
from urllib.parse import quote

from markupsafe import Markup

from cli.report.page import today
from cli.report.parts import render
from cli.report.picture import small_curve
from cli.terminal import show
from cli.terminal.version import program_version
from fit.results.numbers import figures, significant
from fit.results.quantities import shown
from meas.errors import FreeairError

if TYPE_CHECKING:
    from fit.results.result import DriverFit

NAME = "index.html"
SHOWN = ("fs", "Qts", "Re", "Vas")
_MARK = "freeair-index"
_MOST = 200  # fits and pages, the latest
_HEAD = 65536  # bytes in which a page says what it is
_ROUNDS = 3
_OWN = 2  # units of a page that stands with each of them; a page of more stands apart

Listing = Sequence[tuple[Path, int]]


@dataclass(frozen=True)
class Link:
    """A page of the folder."""

    title: str
    file: str
    href: str
    lead: str
    units: tuple[str, ...]


@dataclass
class Unit:
    """One unit: its latest fit, and the pages about it."""

    name: str
    fits: int = 0
    fitted_on: str = ""
    word: str = ""
    tone: str = ""
    values: tuple[tuple[Markup, str], ...] = ()
    curve: Markup | None = None
    reach: str = ""
    pages: list[Link] = field(default_factory=list)


@dataclass(frozen=True)
class IndexPage:
    """Contents of the template."""

    title: str
    subtitle: str
    lead: str
    rows: tuple[Unit, ...]
    others: tuple[Link, ...]
    unread: tuple[str, ...]
    version: str = field(default_factory=program_version)
    made_on: str = field(default_factory=today)
    units: tuple[str, ...] = ()


def refresh(folder: Path) -> None:
    """Make the index of a folder, or make it anew; never in place of a page that is not ours.

    Whoever writes the index looks once more afterwards: of several programs that write pages at a
    time the last has seen them all. Where it cannot be written, the page just made stands alone.
    """
    from meas.files.writing import write_text

    goal = folder / NAME
    try:
        if os.path.lexists(goal) and _MARK not in _head(goal):
            show.note(f"{goal} is not ours and stays; no index of the pages is made", "dim")
            return
        for _ in range(_ROUNDS):
            seen = _listed(folder)
            write_text(goal, render("index.html.j2", content(folder, *seen)), overwrite=True)
            if _listed(folder) == seen:
                break
        show.note(f"Index: {goal}", "dim")
    except (FreeairError, OSError) as error:
        show.note(f"No index of the pages: {error}", "yellow")


def content(folder: Path, pages: Listing, fits: Listing) -> IndexPage:
    """Collect what the index says.

    Args:
        pages: The latest first, with when they were changed [ns].
        fits: Likewise.
    """
    from cli.sources import opened
    from fit.results import store
    from meas.files.json_file import read_json

    units: dict[str, Unit] = {}
    unread = []
    for path, changed in fits:
        try:
            document = read_json(path, "saved fit", store.REMEDY)[0]
            said = document.get("format") if isinstance(document, dict) else None
            if str(said).startswith("freeair-fit/"):
                name, fit = opened.fit_in(document, path)
                _add(units.setdefault(name, Unit(name)), fit, document, changed)
        except FreeairError:
            if path.parent != folder:  # what else lies in the folder is not our business
                unread.append(path.name)
    links = list(filter(None, (_link(path) for path, _ in pages)))
    for link in links:
        for name in link.units if len(link.units) <= _OWN else ():
            units.setdefault(name, Unit(name)).pages.append(link)
    rows = tuple(units[name] for name in sorted(units, key=lambda name: name.casefold()))
    return IndexPage(
        title=f"Drivers in {folder.absolute().name or folder.absolute()}",
        subtitle=today(),
        lead=f"{len(rows)} unit{'s' * (len(rows) != 1)}, {len(links)} "
        f"page{'s' * (len(links) != 1)}.",
        rows=rows,
        others=tuple(link for link in links if not 0 < len(link.units) <= _OWN),
        unread=tuple(unread),
    )


def standing(document: Mapping[str, Any]) -> tuple[str, str]:
    """Judge a saved fit by its targets, with its tone: inside, outside, undecided or none."""
    said = [one["verdict"] for one in document.get("verdicts", ())]
    for tone, words in (("outside", "missed"), ("undecided", "undecided")):
        if tone in said:
            return f"{said.count(tone)} of {len(said)} targets {words}", tone
    return (f"all {len(said)} targets met", "inside") if said else ("", "")


def _add(unit: Unit, fit: DriverFit, document: Mapping[str, Any], changed: int) -> None:
    """Take a fit up; the first that comes is the latest."""
    unit.fits += 1
    if unit.fits > 1:
        return
    unit.fitted_on = date.fromtimestamp(changed / 1e9).isoformat()
    unit.word, unit.tone = standing(document)
    told = []
    for symbol in SHOWN:
        if symbol in fit.parameters:
            estimate = fit.parameters[symbol]
            how = shown(symbol, estimate.unit, estimate.value)
            found = figures(estimate, how.scale)
            told.append(
                (Markup(how.markup), found.with_interval(how.unit))
            )  # markup of symbols is ours
    unit.values = tuple(told)
    for curve in fit.free_air[:1]:
        size = abs(curve.measured_ohm)
        unit.curve = small_curve(curve.frequency_hz, size)
        unit.reach = f"{significant(size.min(), 2)} to {significant(size.max(), 2)} Ω"


def _listed(folder: Path) -> tuple[Listing, Listing]:
    """List the pages and saved fits of a folder, the latest first."""
    pages = _files(one for one in folder.glob("*.html") if one.name != NAME)
    return pages, _files([*folder.glob("*.json"), *(folder / "fits").glob("*.json")])


def _files(paths: Iterable[Path]) -> Listing:
    found = [(path, path.stat().st_mtime_ns) for path in paths if path.is_file()]
    return sorted(found, key=lambda one: (-one[1], one[0]))[:_MOST]


def _head(path: Path) -> str:
    if not path.is_file():
        return ""
    with path.open("rb") as file:
        return file.read(_HEAD).decode("utf-8", "replace")


def _link(path: Path) -> Link | None:
    """Recognize a page of ours by what its head says; None for any other."""
    head = _Head()
    head.feed(_head(path).partition("<style")[0])
    said = head.said
    if not "".join(said.get("generator", ())).startswith("freeair"):
        return None
    units = tuple(dict.fromkeys(said.get("freeair-unit", ())))
    # The point keeps a name with a colon from being taken for another scheme (RFC 3986, 4.2).
    href = f"./{quote(os.fsencode(path.name))}"
    return Link(
        head.title or "untitled", path.name, href, "".join(said.get("description", ())), units
    )


class _Head(HTMLParser):
    """Read the title and ``meta`` elements of a page."""

    def __init__(self) -> None:
        super().__init__()
        self.title = ""
        self.said: dict[str, list[str]] = {}
        self._within = False

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        """Note what a ``meta`` says."""
        self._within = tag == "title"
        if tag == "meta":
            told = dict(attrs)
            self.said.setdefault(told.get("name") or "", []).append(told.get("content") or "")

    def handle_endtag(self, tag: str) -> None:
        """Leave the title."""
        self._within = False

    def handle_data(self, data: str) -> None:
        """Note the title."""
        self.title += data if self._within else ""
