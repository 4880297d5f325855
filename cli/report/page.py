"""The page of any report: what it is made of, and how sections become one."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from datetime import date
from typing import TYPE_CHECKING, Any

from markupsafe import Markup

from cli.report.exploring import Exploring
from cli.report.parts import FindingLine, Plot, Strip, drawn, finding_lines
from cli.terminal.cautions import Caution
from cli.terminal.sections import Drawing, Facts, Findings, Listed, Rows
from cli.terminal.version import program_version

if TYPE_CHECKING:
    from cli.terminal.sections import Section
    from fit.results.result import DriverFit


def today() -> str:
    """The date as pages write it."""
    return date.today().isoformat()


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
class VerdictRow:
    """One line of the verdict picture."""

    markup: Markup
    symbol: str
    words: str
    allowed: str
    strip: Strip
    value: str
    interval: str
    word: str


@dataclass(frozen=True)
class Verdicts:
    """Standing of a driver by its targets."""

    verdicts: tuple[VerdictRow, ...]


@dataclass(frozen=True)
class ParameterRow:
    """One line of a table of parameters."""

    markup: Markup
    symbol: str
    words: str
    value: str
    interval: str
    limits: tuple[str, ...]

    @classmethod
    def of(cls, fit: DriverFit, symbol: str) -> ParameterRow:
        """Write a parameter of a fit, with what limits it most."""
        from fit.results.numbers import figures, with_unit
        from fit.results.quantities import shown
        from fit.results.shares import shares

        estimate = fit.parameters[symbol]
        how = shown(symbol, estimate.unit, estimate.value)
        found = figures(estimate, how.scale)
        words = how.words
        if estimate.frequency_hz is not None:
            words += f" at {estimate.frequency_hz / 1000:g} kHz"
        limits = tuple(
            f"{100 * share:.0f} % {text}" for text, share in shares(estimate, fit.sources)[:3]
            if share >= 0.05
        )  # fmt: skip
        value, interval = with_unit(found.value, how.unit), f"{found.low} … {found.high}"
        return cls(Markup(how.markup), how.symbol, words, value, interval, limits)


@dataclass(frozen=True)
class Parameters:
    """The values that people use, and those that are folded away."""

    usual: tuple[ParameterRow, ...]
    rarer: tuple[ParameterRow, ...]

    def lines(self, most: int = 3) -> Lines:
        """All of them as one table, each with so many of its limits at the most."""
        return Lines(
            ("", "", "value", "95 % between", "limited by"),
            (False, False, True, True, False),
            tuple((p.symbol, p.words, p.value, p.interval, "; ".join(p.limits[:most]))
                  for p in (*self.usual, *self.rarer)),
        )  # fmt: skip


@dataclass(frozen=True)
class Measured:
    """Way in which something was measured.

    Attributes:
        wiring: Picture of the bench, where the takes know it.
        note: The one thing to remember about the wiring.
        how: Name and text of everything that another person would need to repeat it.
        curves: Number, condition, points, residual and source of every curve.
    """

    wiring: Markup | None
    note: str
    how: tuple[tuple[str, str], ...]
    curves: tuple[tuple[str, ...], ...]

    def lines(self) -> Lines:
        """The curves as a table."""
        titles = ("take", "condition", "points", "off model, rms", "from")
        return Lines(titles, (False, False, True, True, False), self.curves)


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

    def lines(self) -> Lines:
        """The same as text alone."""
        return Lines(
            ("", "", self.before, self.after, "change", "95 % between", ""),
            (False, False, True, True, True, True, False),
            tuple((r.symbol, r.words, r.before, r.after, r.change, r.interval, r.word)
                  for r in self.rows),
        )  # fmt: skip


@dataclass(frozen=True, eq=False)
class Explored:
    """Curves to explore, and their picture where no script runs and on paper."""

    data: Exploring
    plot: Plot


Block = (
    str | Lines | Answer | Verdicts | Parameters | Measured | Changes | Explored | Plot | Caution
    | tuple[FindingLine, ...]
)  # fmt: skip


@dataclass(frozen=True)
class Part:
    """A section as it is shown: words, tables, pictures and findings in their order.

    Attributes:
        pictured: Whether its pictures belong into the one picture that says it all.
    """

    title: str
    blocks: tuple[Block, ...]
    pictured: bool = True


def part(title: str, *blocks: Any, pictured: bool = True) -> Part:
    """Make a section of the blocks that there are: those that are empty or None are none."""
    return Part(title, tuple(block for block in blocks if block), pictured)


@dataclass(frozen=True)
class Page:
    """Contents of a report, in whatever form.

    Attributes:
        subtitle: What it rests on, and when it was made.
        units: Drivers that it is about, for an index of pages.
    """

    title: str
    subtitle: str
    lead: str
    parts: tuple[Part, ...]
    units: tuple[str, ...]
    version: str = field(default_factory=program_version)
    made_on: str = field(default_factory=today)


def page(title: str, lead: str, sections: Iterable[Section], units: Sequence[str]) -> Page:
    """Make the page about what was found; arguments as for `cli.report.forms.give`."""
    return Page(title, today(), lead, parts(sections), tuple(units))


def parts(sections: Iterable[Section], *, pictured: bool = True) -> tuple[Part, ...]:
    """Make sections ready to be shown."""
    return tuple(
        Part(one.title, tuple(_shown(block) for block in one.blocks if block != ""), pictured)
        for one in sections
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
