"""Tables of results for the terminal, 80 columns wide or less."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from rich import box
from rich.table import Table
from rich.text import Text

from cli.display import (
    condition_words,
    decimals_for,
    figures,
    in_order,
    limits,
    number,
    percent,
    shown,
    with_unit,
)

if TYPE_CHECKING:
    from fit.compare import Change, Comparison
    from fit.judge import Target, Verdict
    from fit.result import DriverFit, Estimate

VERDICT_STYLE = {
    "inside": "bold green",
    "outside": "bold red",
    "undecided": "bold yellow",
    "unchanged": "green",
    "changed": "bold magenta",
}
STRIP = 23


def _table(title: str = "") -> Table:
    return Table(
        title=title or None,
        title_justify="left",
        title_style="bold",
        box=box.SIMPLE_HEAD,
        pad_edge=False,
        padding=(0, 1),
        header_style="bold",
        show_edge=False,
    )


def parameters(fit: DriverFit) -> Table:
    """Every parameter, its 95 % interval and what limits it most."""
    table = _table()
    table.add_column("", no_wrap=True)
    table.add_column("value", justify="right", no_wrap=True)
    table.add_column("", no_wrap=True, min_width=4)
    table.add_column("95 % between", no_wrap=True, justify="center")
    table.add_column("limited most by", overflow="ellipsis", no_wrap=True, ratio=1)
    for symbol in in_order(fit.parameters):
        estimate = fit.parameters[symbol]
        written = figures(symbol, estimate)
        name = shown(symbol, estimate.unit).symbol
        if estimate.frequency_hz is not None:
            name = f"{name} {estimate.frequency_hz / 1000:g} kHz"
        table.add_row(
            Text(name, style="bold"),
            written.value,
            written.unit,
            f"{written.low} … {written.high}",
            _main_limit(estimate, fit.sources),
        )
    return table


def _main_limit(estimate: Estimate, sources: Mapping[str, str]) -> str:
    found = limits(estimate, sources)
    if not found:
        return ""
    words, share = found[0]
    return f"{100 * share:.0f} % {words}"


def curves(fit: DriverFit) -> Table:
    """How well each curve is followed."""
    table = _table()
    table.add_column("curve", ratio=1, overflow="fold")
    table.add_column("condition", no_wrap=True)
    table.add_column("points", justify="right")
    table.add_column("off model", justify="right", no_wrap=True)
    for curve in fit.curves:
        table.add_row(
            curve.source,
            condition_words(curve.condition, curve.condition_value),
            str(curve.frequency_hz.size),
            percent(curve.residual_rms_relative),
        )
    return table


def verdicts(items: Sequence[Verdict]) -> Table:
    """Targets and how the driver stands to them, each with a strip drawn to its limits."""
    table = _table()
    table.add_column("", no_wrap=True)
    table.add_column("meant", justify="right", no_wrap=True)
    table.add_column("allowed", justify="center", no_wrap=True)
    table.add_column("measured", justify="right", no_wrap=True)
    table.add_column("", no_wrap=True)
    table.add_column("", no_wrap=True)
    for item in items:
        target = item.target
        how = shown(target.parameter, item.estimate.unit if item.estimate else "")
        measured = figures(target.parameter, item.estimate).value if item.estimate else "unknown"
        table.add_row(
            Text(how.symbol, style="bold"),
            _short(target.target / how.scale),
            _allowed(target, how.scale),
            with_unit(measured, how.unit),
            strip(target, item.estimate),
            Text(item.verdict, style=VERDICT_STYLE[item.verdict]),
        )
    return table


def _short(value: float) -> str:
    return f"{value:.4g}" if abs(value) < 1e4 else f"{value:.0f}"


def _allowed(target: Target, scale: float) -> str:
    low, high = target.lower, target.upper
    if low is None:
        return f"up to {_short((high or 0) / scale)}"
    if high is None:
        return f"from {_short(low / scale)}"
    return f"{_short(low / scale)} … {_short(high / scale)}"


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


def signed(value: float, decimals: int) -> str:
    """A change with its sign."""
    text = number(value, decimals)
    return text if text.startswith("−") else f"+{text}"


def changes(comparison: Comparison) -> Table:
    """What changed, most significant first."""
    table = _table()
    table.add_column("", no_wrap=True)
    table.add_column("before", justify="right", no_wrap=True)
    table.add_column("after", justify="right", no_wrap=True)
    table.add_column("", no_wrap=True, min_width=4)
    table.add_column("change", justify="right", no_wrap=True)
    table.add_column("95 % between", justify="center", no_wrap=True)
    table.add_column("", no_wrap=True)
    for change in comparison.changes:
        written = change_figures(change)
        table.add_row(Text(written.name, style="bold"), written.before, written.after,
                      written.unit, written.change, written.interval,
                      Text(change.verdict, style=VERDICT_STYLE[change.verdict]))  # fmt: skip
    return table


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
    how = shown(change.parameter, change.unit)
    low, high = change.interval_95
    decimals = decimals_for(50 * (high - low), 100 * change.change_relative)
    step = abs(change.before) / how.scale * max((high - low) / 2, 1e-4)
    digits = decimals_for(step, change.before / how.scale)
    ends = " … ".join(signed(100 * end, decimals) for end in (low, high))
    return ChangeFigures(
        how.symbol,
        number(change.before / how.scale, digits),
        number(change.after / how.scale, digits),
        how.unit,
        f"{signed(100 * change.change_relative, decimals)} %",
        ends,
    )
