"""The page of a command that says what it found in sections: box, filter, coil, series."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date
from typing import TYPE_CHECKING, Any

from markupsafe import Markup

from cli.report.exploring import Exploring
from cli.report.parts import FindingLine, Plot, Strip, drawn, finding_lines
from cli.terminal.sections import Drawing, Facts, Findings, Listed, Rows
from cli.terminal.version import program_version

if TYPE_CHECKING:
    from cli.terminal.sections import Section


@dataclass(frozen=True)
class Lines:
    """A table as text; numbers stand right, of facts the first cell names the row."""

    titles: tuple[str, ...]
    right: tuple[bool, ...]
    rows: tuple[tuple[str, ...], ...]


@dataclass(frozen=True)
class Answer:
    """A question answered in a word: its tone, the word, and why."""

    tone: str
    word: str
    text: str


@dataclass(frozen=True)
class ChangeRow:
    """One line of a table of changes."""

    markup: Markup
    symbol: str
    words: str
    before: str
    after: str
    change: str
    interval: str
    strip: Strip
    word: str


@dataclass(frozen=True)
class Changes:
    """A table of changes; the margin is that within which a change does not matter."""

    before: str
    after: str
    margin: str
    rows: tuple[ChangeRow, ...]


@dataclass(frozen=True, eq=False)
class Explored:
    """Curves to explore, and their picture where no script runs and on paper."""

    data: Exploring
    plot: Plot


Block = str | Lines | Answer | Changes | Explored | Plot | tuple[FindingLine, ...]


@dataclass(frozen=True)
class Part:
    """A section as the template shows it: words, tables, pictures and findings in their order."""

    title: str
    blocks: tuple[Block, ...]


@dataclass(frozen=True)
class Page:
    """Everything that the template shows."""

    title: str
    subtitle: str
    lead: str
    parts: tuple[Part, ...]
    units: tuple[str, ...]
    version: str
    made_on: str


def page(title: str, lead: str, sections: Iterable[Section], units: Sequence[str]) -> Page:
    """Make the page about what was found; arguments as for `cli.report.forms.write_sections`."""
    today = date.today().isoformat()
    return Page(title, today, lead, parts(sections), tuple(units), program_version(), today)


def parts(sections: Iterable[Section]) -> tuple[Part, ...]:
    """Make sections ready for the template."""
    return tuple(
        Part(section.title, tuple(_shown(block) for block in section.blocks if block != ""))
        for section in sections
    )


def _shown(block: Any) -> Block:
    match block:
        case Facts():
            rows = tuple((what, f"{value} {unit}".strip(), remark)
                         for what, value, unit, remark in block.rows)  # fmt: skip
            return Lines((), (False, True, False), rows)
        case Rows():
            return Lines(
                tuple(column.title for column in block.columns),
                tuple(column.right for column in block.columns),
                tuple(tuple(str(cell) for cell in row) for row in block.rows),
            )
        case Listed():
            return tuple(FindingLine(item, "") for item in block.items)
        case Findings():
            return finding_lines(block.items)
        case Drawing():
            return drawn(block.draw(), block.name, block.spoken, block.caption)
        case _:
            return str(block)
