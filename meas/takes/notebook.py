"""A take as escaped HTML, for notebooks."""

from __future__ import annotations

from typing import TYPE_CHECKING

from meas.curve_html import curve_rows, table

if TYPE_CHECKING:
    from meas.takes.take import Take


def take_html(take: Take) -> str:
    """Describe what was measured, beginning with whether it can be trusted."""
    condition = f"{take.condition.name} {take.condition.written}".strip()
    rows = [
        ("take of", f"{take.unit} ({take.kind})"),
        ("condition", condition),
        ("taken at", f"{take.taken_at} {take.label}".strip()),
        ("verdict", "refused: no number may be derived from it" if take.refused else "usable"),
    ]
    rows += [("refused" if one.refuses else "doubt", one.text) for one in take.findings]
    return table(rows + ([] if take.curve is None else curve_rows(take.curve)))
