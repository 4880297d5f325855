"""Pieces that pages are made of: strips, pictures, and the template engine."""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from markupsafe import Markup, escape

from cli.pictures import plots
from cli.report.picture import inline
from cli.terminal import show
from cli.terminal.tables import strip_range
from fit.results.numbers import with_unit
from fit.results.quantities import capitalised, shown
from meas.files.outside_text import harmless

if TYPE_CHECKING:
    from jinja2 import Environment

    from fit.compare.changes import Change
    from fit.results.judge import Target
    from fit.results.result import Estimate
    from meas.errors import Finding

_OPTION = re.compile(r"(?<![\w-])--[a-z][a-z-]*[a-z]")


@dataclass(frozen=True, eq=False)
class Plot:
    """A picture with its caption; the SVG is ours and goes in unescaped."""

    svg: Markup
    caption: str
    figure: Any


def drawn(figure: Any, name: str, spoken: str, caption: str) -> Plot:
    """Make a figure at home in a page.

    Args:
        name: Prefix of its identifiers, its own on the page.
        spoken: What it shows, for who cannot see it.
    """
    return Plot(inline(plots.svg_text(figure, name), name, spoken), caption, figure)


@dataclass(frozen=True)
class FindingLine:
    """A finding with its next step apart."""

    text: str
    step: str


def finding_lines(findings: Iterable[Finding]) -> tuple[FindingLine, ...]:
    """Write findings as sentences, the next step apart so that the eye finds it."""
    return tuple(
        FindingLine(show.sentence(finding.statement), show.sentence(capitalised(finding.next_step)))
        for finding in findings
    )


@dataclass(frozen=True)
class Edge:
    """One limit on a strip."""

    x: float
    text: str
    anchor: str


@dataclass(frozen=True)
class Strip:
    """A verdict as a line: positions in the picture's own units, 0 to 360."""

    band: tuple[float, float]
    edges: tuple[Edge, ...]
    meant: float | None
    reach: tuple[float, float]
    value: float | None
    spoken: str


def strip(target: Target, estimate: Estimate | None, spoken: str) -> Strip:
    """Lay out limits, target, interval and value on one line."""
    low, high = strip_range(target, estimate)
    how = shown(target.parameter, estimate.unit if estimate else "", target.target)

    def place(value: float) -> float:
        return round(4 + 352 * (value - low) / (high - low), 2)

    edges = []
    for limit in (target.lower, target.upper):
        if limit is None:
            continue
        x = place(limit)
        anchor = "start" if x < 40 else "end" if x > 320 else "middle"
        edges.append(Edge(x, with_unit(f"{limit / how.scale:.4g}", how.unit), anchor))
    if len(edges) == 2 and edges[1].x - edges[0].x < 110:  # the words would run into each other
        left, right = edges
        edges = [
            Edge(left.x, left.text, "end" if left.x > 70 else "start"),
            Edge(right.x, right.text, "start" if right.x < 290 else "end"),
        ]
        if edges[0].anchor == edges[1].anchor:
            edges[1] = Edge(right.x, "", "start")
    band = (
        4.0 if target.lower is None else place(target.lower),
        356.0 if target.upper is None else place(target.upper),
    )
    if estimate is None:
        return Strip(band, tuple(edges), place(target.target), (0.0, 0.0), None, spoken)
    first, last = (place(end) for end in estimate.interval_95)
    return Strip(
        band, tuple(edges), place(target.target), (first, last), place(estimate.value), spoken
    )


def change_span(changes: Iterable[Change], margin: float) -> tuple[float, float]:
    """Find the ends of the one scale on which all changes of a table are drawn."""
    ends = [-margin, margin, *(end for change in changes for end in change.interval_95)]
    return min(ends), max(ends)


def change_strip(change: Change, margin: float, span: tuple[float, float], spoken: str) -> Strip:
    """Lay out a change beside the band that does not matter, on the scale of the table."""
    low, high = span
    room = 0.06 * (high - low)

    def place(value: float) -> float:
        return round(4 + 352 * (value - low + room) / (high - low + 2 * room), 2)

    band = (place(-margin), place(margin))
    edges = tuple(Edge(x, "", "middle") for x in band)
    first, last = (place(end) for end in change.interval_95)
    return Strip(band, edges, place(0.0), (first, last), place(change.change_relative), spoken)


def render(template: str, page: object) -> str:
    """Render a page from its template; everything but our own pictures is escaped."""
    from importlib.resources import files

    style = Markup(files("cli").joinpath("report/style.css").read_text(encoding="utf-8"))
    return templates("report").get_template(template).render(page=page, style=style)


def templates(folder: str) -> Environment:
    """Read the templates of a folder of ours: what fills them is escaped, and steers nothing."""
    from jinja2 import Environment, PackageLoader, StrictUndefined

    made = Environment(
        loader=PackageLoader("cli", folder),
        autoescape=True,
        finalize=lambda value: harmless(value) if type(value) is str else value,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    made.filters["options_whole"] = options_whole
    return made


def options_whole(text: str) -> Markup:
    """Escape a text; options in it (``--added-mass``) do not break at their dashes."""
    return Markup(_OPTION.sub(r'<span class="option">\g<0></span>', str(escape(harmless(text)))))
