"""Small tables of facts for the terminal: what it is, its value, its unit, a remark."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from rich import box
from rich.table import Table
from rich.text import Text

from fit.results.numbers import decimals_for, number

if TYPE_CHECKING:
    from fit.results.result import Estimate

Fact = tuple[str, str, str, str]
"""What, value, unit, remark."""


def facts(rows: Sequence[Fact]) -> Table:
    """One fact a line; remarks wrap."""
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


def grid(titles: Sequence[str], rows: Sequence[Sequence[str]]) -> Table:
    """Columns of numbers under titles, aligned to the right."""
    table = Table(
        box=box.SIMPLE_HEAD,
        show_edge=False,
        pad_edge=False,
        padding=(0, 1, 0, 0),
        header_style="bold",
    )
    for title in titles:
        table.add_column(title, justify="right", no_wrap=True)
    for row in rows:
        table.add_row(*row)
    return table


def measured(what: str, estimate: Estimate, unit: str, scale: float, remark: str = "") -> Fact:
    """A fact with its 95 % reach, rounded together."""
    low, high = (end / scale for end in estimate.interval_95)
    value = estimate.value / scale
    reach = max(high - value, value - low)
    if reach <= 0:
        return what, f"{value:.4g}", unit, remark
    decimals = decimals_for(reach, value)
    said = f"± {number(reach, decimals)} (95 %)"
    return what, number(value, decimals), unit, f"{said}; {remark}" if remark else said
