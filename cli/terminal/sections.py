"""Sections of a command's words: in the terminal without pictures, on a page with them."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from shutil import get_terminal_size
from typing import TYPE_CHECKING, Any

from rich.table import Table
from rich.text import Text

from cli.terminal import show
from cli.terminal.tables import Column, plain_table
from fit.results.numbers import figures

if TYPE_CHECKING:
    from fit.results.result import Estimate
    from meas.errors import Finding

Fact = tuple[str, str, str, str]
"""What, value, unit, remark."""


@dataclass(frozen=True)
class Facts:
    """Facts, one a line."""

    rows: Sequence[Fact]


@dataclass(frozen=True)
class Rows:
    """A table under titles."""

    columns: Sequence[Column]
    rows: Sequence[Sequence[str | Text]]


@dataclass(frozen=True)
class Listed:
    """Sentences of equal rank."""

    items: Sequence[str]


@dataclass(frozen=True)
class Findings:
    """Findings to mind, and what to do about them."""

    items: Sequence[Finding]


@dataclass(frozen=True, eq=False)
class Drawing:
    """A picture, drawn only where a page wants it.

    Attributes:
        name: One word, its own on the page.
        spoken: What it shows, for who cannot see it.
    """

    name: str
    draw: Callable[[], Any]
    spoken: str
    caption: str


Block = str | Text | Facts | Rows | Listed | Findings | Drawing


@dataclass(frozen=True)
class Section:
    """A heading with what stands below it."""

    title: str
    blocks: Sequence[Block]


def say(sections: Iterable[Section]) -> None:
    """Print sections in the terminal; one of nothing but pictures is left out."""
    for section in sections:
        blocks = [block for block in section.blocks if not isinstance(block, Drawing)]
        if not blocks:
            continue
        show.heading(section.title)
        for block in blocks:
            match block:
                case Facts():
                    show.say(facts(block.rows))
                case Rows():
                    show.say("", plain_table(block.columns, block.rows))
                case Listed():
                    show.say(*(show.hanging(f"  {item}") for item in block.items))
                case Findings():
                    show.findings(block.items)
                case _:
                    show.say(block)


def leaves_the_screen(sections: Iterable[Section]) -> bool:
    """Tell whether what stands before sections has about left the screen of who reads them."""
    if not sys.stdout.isatty():
        return False
    width, height = get_terminal_size()
    rows = 6  # title and result above, the prompt below
    for section in sections:
        rows += 2
        for block in section.blocks:
            match block:
                case Facts() | Rows():
                    rows += len(block.rows) + 2 * isinstance(block, Rows)
                case Listed() | Findings():
                    rows += 2 * len(block.items)
                case Drawing():
                    pass
                case _:
                    rows += 1 + len(str(block)) // width
    return rows > height


def facts(rows: Sequence[Fact]) -> Table:
    """Write facts, one a line; remarks wrap."""
    table = Table(
        box=None, show_header=False, show_edge=False, pad_edge=False, padding=(0, 1, 0, 0)
    )
    table.add_column(no_wrap=True)
    table.add_column(justify="right", no_wrap=True)
    table.add_column(no_wrap=True)
    table.add_column()
    for what, value, unit, remark in rows:
        table.add_row(Text(what, style="bold"), value, unit, Text(remark, style="dim"))
    return table


def measured(what: str, estimate: Estimate, unit: str, scale: float, remark: str = "") -> Fact:
    """A fact with its 95 % reach, rounded together; both ends where they are not as far away."""
    if estimate.interval_95[0] >= estimate.interval_95[1]:
        return what, f"{estimate.value / scale:.4g}", unit, remark
    of = figures(estimate, scale)
    said = f"{'± ' * of.even}{of.interval} (95 %)"
    return what, of.value, unit, f"{said}; {remark}" if remark else said
