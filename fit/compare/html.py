"""A comparison as escaped HTML, for notebooks."""

from __future__ import annotations

from typing import TYPE_CHECKING

from fit.results.notebook import paragraphs, table
from fit.results.numbers import rounded, signed, workshop

if TYPE_CHECKING:
    from fit.compare.changes import Comparison


def comparison_html(comparison: Comparison) -> str:
    """Changes, the most significant first; then what was assumed."""
    rows = []
    for change in comparison.changes:
        low, high = (signed(100 * end, 1) for end in change.interval_95)
        scale, unit = workshop(change.unit)
        ends = (rounded(value / scale, 4) for value in (change.before, change.after))
        rows.append(
            (
                change.parameter,
                *ends,
                unit,
                f"{signed(100 * change.change_relative, 1)} %",
                f"{low} % to {high} %",
                change.verdict,
            )
        )
    heads = ("", comparison.before, comparison.after, "unit", "change", "95 % interval", "verdict")
    return table(heads, rows) + paragraphs(comparison.notes)
