"""Tables of results for the terminal, 80 columns wide or less."""

from __future__ import annotations

import math
import re
from collections.abc import Container, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from rich import box
from rich.console import Group
from rich.table import Table
from rich.text import Text

from cli.terminal import show
from fit.results.numbers import decimals_for, figures, number, percent, rounded, signed, with_unit
from fit.results.quantities import condition_words, in_order, shown
from fit.results.shares import shares

if TYPE_CHECKING:
    from rich.console import RenderableType

    from fit.compare.changes import Change, Comparison
    from fit.results.judge import Target, Verdict
    from fit.results.result import DriverFit, Estimate

VERDICT_STYLE = {
    "inside": "bold green",
    "outside": "bold red",
    "undecided": "bold yellow",
    "unchanged": "green",
    "changed": "bold magenta",
    "matched": "bold green",
    "apart": "bold red",
}
STRIP = 19
_GAP, _LEAST_FILLING = 2, 8


@dataclass(frozen=True)
class Column:
    """A column: its title, whether numbers stand right, whether it takes what the others leave."""

    title: str
    right: bool = False
    fills: bool = False  # takes what the others leave, and is cut where that is too little
    paths: bool = False  # cut at the front: paths differ at the end


def numbers(*titles: str) -> tuple[Column, ...]:
    """Columns of numbers."""
    return tuple(Column(title, right=True) for title in titles)


PARAMETER_COLUMNS = (
    Column(""), *numbers("value", "± 95 %"), Column(""), Column("limited most by", fills=True),
)  # fmt: skip


def plain_table(columns: Sequence[Column], rows: Sequence[Sequence[str | Text]]) -> RenderableType:
    """A table whose columns keep their width; only the filling one gives way.

    What a narrow window has no room for follows below as a further table of the same rows.
    """
    widths = [
        _least(column) if column.fills else max(len(column.title), *(len(row[k]) for row in rows))
        for k, column in enumerate(columns)
    ]
    room = show.console().width
    parts, taken = [[0]], widths[0]
    for place in range(1, len(columns)):
        taken += _GAP + widths[place]
        if taken + 1 > room and len(parts[-1]) > 1:
            parts.append([0])
            taken = widths[0] + _GAP + widths[place]
        parts[-1].append(place)
    tables: list[RenderableType] = [
        _whole_table([columns[k] for k in part], [[row[k] for k in part] for row in rows])
        for part in parts
    ]
    return Group(tables[0], *(piece for table in tables[1:] for piece in ("", table)))


def _least(column: Column) -> int:
    return max(_LEAST_FILLING, len(column.title))


def _whole_table(columns: Sequence[Column], rows: Sequence[Sequence[str | Text]]) -> Table:
    table = Table(
        box=box.SIMPLE_HEAD,
        show_edge=False,
        pad_edge=False,
        padding=(0, 1, 0, 0),
        header_style="bold",
    )
    widths = [
        max(len(column.title), *(len(row[index]) for row in rows))
        for index, column in enumerate(columns)
    ]
    room = show.console().width - sum(
        width for width, column in zip(widths, columns, strict=True) if not column.fills
    )
    room -= _GAP * (len(columns) - 1) + 1
    for column, width in zip(columns, widths, strict=True):
        table.add_column(
            column.title,
            justify="right" if column.right else "left",
            no_wrap=True,
            min_width=max(_LEAST_FILLING, min(width, room)) if column.fills else width,
        )
    for row in rows:
        table.add_row(*(
            _cut(cell, room, front=column.paths) if column.fills else cell
            for cell, column in zip(row, columns, strict=True)
        ))  # fmt: skip
    return table


def _cut(cell: str | Text, room: int, *, front: bool) -> str | Text:
    room = max(_LEAST_FILLING, room)
    if isinstance(cell, Text) or len(cell) <= room:
        return cell
    dots = show.spelt("…")
    keep = room - len(dots)
    return dots + cell[-keep:] if front else cell[:keep] + dots


def parameters(fit: DriverFit, symbols: Container[str] | None = None) -> RenderableType:
    """Parameters with their 95 % intervals and what limits each most.

    Args:
        symbols: Which of them; None for all.
    """
    rows = []
    for symbol in in_order(fit.parameters):
        if symbols is not None and symbol not in symbols:
            continue
        estimate = fit.parameters[symbol]
        how = shown(symbol, estimate.unit, estimate.value)
        name, written = how.symbol, figures(estimate, how.scale)
        if estimate.frequency_hz is not None:
            name = f"{name} {estimate.frequency_hz / 1000:g} kHz"
        # What stands in brackets explains; there is room for that in the report.
        main = [
            f"{100 * share:.0f} % {re.sub(r' ?[(][^)]*[)]', '', words)}"
            for words, share in shares(estimate, fit.sources)[:1]
        ]
        rows.append(
            (
                Text(show.spelt(name), style="bold"),
                written.value,
                written.interval,
                how.unit,
                "".join(main),
            )
        )
    return plain_table(PARAMETER_COLUMNS, rows)


def curve_rows(fit: DriverFit) -> list[tuple[str, ...]]:
    """Write each curve as its number, condition, points, distance from the model and source."""
    return [
        (
            str(place),
            condition_words(curve.condition, curve.condition_value),
            str(curve.frequency_hz.size),
            percent(curve.residual_rms_relative),
            curve.source,
        )
        for place, curve in enumerate(fit.curves, start=1)
    ]


def curves(fit: DriverFit) -> RenderableType:
    """Tabulate how well each curve is followed."""
    columns = (
        *(Column("take"), Column("condition")),
        *numbers("points", "off model"),
        Column("from", fills=True, paths=True),
    )
    return plain_table(columns, curve_rows(fit))


def verdicts(items: Sequence[Verdict]) -> RenderableType:
    """Targets and how the driver stands to them, each with a strip drawn to its limits."""
    rows = []
    for item in items:
        target = item.target
        how = shown(target.parameter, item.estimate.unit if item.estimate else "", target.target)
        measured = figures(item.estimate, how.scale).value if item.estimate else "unknown"
        rows.append(
            (
                Text(how.symbol, style="bold"),
                rounded(target.target / how.scale, 4),
                _allowed(target, how.scale),
                with_unit(measured, how.unit) if item.estimate else measured,
                strip(target, item.estimate),
                Text(item.verdict, style=VERDICT_STYLE[item.verdict]),
            )
        )
    columns = (Column(""), *numbers("meant", "allowed", "measured"), Column(""), Column(""))
    return plain_table(columns, rows)


def _allowed(target: Target, scale: float) -> str:
    low, high = target.lower, target.upper
    if low is None:
        return f"up to {rounded((high or 0) / scale, 4)}"
    if high is None:
        return f"from {rounded(low / scale, 4)}"
    return f"{rounded(low / scale, 4)} … {rounded(high / scale, 4)}"


def strip_range(target: Target, estimate: Estimate | None) -> tuple[float, float]:
    """Ends of a strip that shows limits, value and interval with some room, in SI units."""
    marks = [target.target, *(v for v in (target.lower, target.upper) if v is not None)]
    if estimate is not None:
        marks += [estimate.value, *estimate.interval_95]
    low, high = min(marks), max(marks)
    room = 0.12 * (high - low or abs(high) or 1.0)
    return low - room, high + room


def strip(target: Target, estimate: Estimate | None) -> Text:
    """Limits, interval and value on one line: ``[`` ``]`` limits, ``─`` interval, ``●`` value."""
    low, high = strip_range(target, estimate)

    def cell(value: float) -> int:
        return min(STRIP - 1, max(0, math.floor((value - low) / (high - low) * STRIP)))

    cells = ["·"] * STRIP
    left = 0 if target.lower is None else cell(target.lower)
    right = STRIP - 1 if target.upper is None else cell(target.upper)
    for index in range(left, right + 1):
        cells[index] = " "
    if estimate is not None:
        start, stop = (cell(end) for end in estimate.interval_95)
        for index in range(start, stop + 1):
            cells[index] = "─"
    if target.lower is not None:
        cells[left] = "["
    if target.upper is not None:
        cells[right] = "]"
    if estimate is not None:
        cells[cell(estimate.value)] = "●"
    return Text("".join(cells))


def unchanged(comparison: Comparison) -> str:
    """Write one line for all values that stayed; empty where none did."""
    names = [
        shown(change.parameter, change.unit).symbol
        for change in comparison.changes
        if change.verdict == "unchanged"
    ]
    return f"Unchanged within {100 * comparison.margin:g} %: {', '.join(names)}." if names else ""


def changes(comparison: Comparison) -> RenderableType:
    """Tabulate what changed or is undecided, most significant first."""
    rows = []
    for change in comparison.changes:
        if change.verdict == "unchanged":
            continue
        written = change_figures(change)
        rows.append(
            (
                Text(show.spelt(written.name), style="bold"),
                written.before,
                written.after,
                written.unit,
                written.change,
                written.interval,
                Text(change.verdict, style=VERDICT_STYLE[change.verdict]),
            )
        )
    columns = (
        *(Column(""), *numbers("before", "after")),
        *(Column(""), *numbers("change", "95 % between"), Column("")),
    )
    return plain_table(columns, rows)


@dataclass(frozen=True)
class ChangeFigures:
    """A change as strings."""

    name: str
    before: str
    after: str
    unit: str
    change: str
    interval: str


def change_figures(change: Change) -> ChangeFigures:
    """A change in shown units, rounded to what its uncertainty deserves."""
    how = shown(change.parameter, change.unit, change.before)
    ends = (change.change_relative, *change.interval_95)
    sign = "%"
    if change.unit == "dB":
        sign = "dB"
        change_of, low, high = (10 * math.log10(1 + end) for end in ends)
    else:
        change_of, low, high = (100 * end for end in ends)
    decimals = min(2, decimals_for((high - low) / 2, change_of))
    half = (change.interval_95[1] - change.interval_95[0]) / 2
    step = half if change.unit == "dB" else abs(change.before) / how.scale * half
    digits = decimals_for(step, change.before / how.scale)
    return ChangeFigures(
        how.symbol,
        number(change.before / how.scale, digits),
        number(change.after / how.scale, digits),
        how.unit,
        f"{signed(change_of, decimals)} {sign}",
        f"{signed(low, decimals)} … {signed(high, decimals)}",
    )
