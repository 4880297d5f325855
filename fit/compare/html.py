"""How a comparison shows itself in a notebook: escaped HTML."""

from __future__ import annotations

from typing import TYPE_CHECKING

from fit.driver.elements.quantity import rounded
from fit.results.notebook import WORKSHOP, paragraphs, table

if TYPE_CHECKING:
    from fit.compare.changes import Comparison


def comparison_html(comparison: Comparison) -> str:
    """Changes, the most significant first; then what was assumed."""
    rows = []
    for change in comparison.changes:
        low, high = (f"{100 * end:+.1f}" for end in change.interval_95)
        scale, unit = WORKSHOP.get(change.unit, (1.0, change.unit))
        ends = (rounded(value / scale, 4) for value in (change.before, change.after))
        rows.append(
            (
                change.parameter,
                *ends,
                unit,
                f"{100 * change.change_relative:+.1f} %",
                f"{low} % to {high} %",
                change.verdict,
            )
        )
    heads = ("", comparison.before, comparison.after, "unit", "change", "95 % interval", "verdict")
    return table(heads, rows) + paragraphs(comparison.notes)
