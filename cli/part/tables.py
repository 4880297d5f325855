"""A measured part in the terminal."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING

import numpy as np
from rich.console import RenderableType
from rich.text import Text

from cli.terminal.tables import PARAMETER_COLUMNS, Column, numbers, plain_table
from fit.parts.passive import LETTER, UNIT
from fit.results.numbers import figures, prefixed, reaching, significant
from fit.results.result import Z95
from fit.results.shares import shares

if TYPE_CHECKING:
    from fit.parts.against_level import AtLevel
    from fit.parts.part_fit import Limit, PartFit
    from fit.results.result import Estimate

_FLAWS = {
    "inductor": ("R", "its winding has"),
    "capacitor": ("ESR", "its series resistance at 1 kHz is"),
    "resistor": ("L", "its winding adds"),
}
_NAMES = {"Rcore": "R core", "Q_1kHz": "Q 1 kHz", "ESR": "ESR 1 kHz"}


def lead(found: PartFit) -> str:
    """Its value with the flaw that matters: ``4.70 ± 0.05 µF; its series resistance ...``"""
    value = found.parameters[LETTER[found.kind]]
    factor, unit = prefixed(value.value, value.unit)
    text = figures(value, factor).with_interval(unit)
    flaw, words = _FLAWS[found.kind]
    if flaw in found.parameters:
        one = found.parameters[flaw]
        factor, unit = prefixed(one.value, one.unit)
        return f"{text}; {words} {figures(one, factor).value} {unit}."
    if flaw in found.limits:
        most = found.limits[flaw].upper or 0.0
        factor, unit = prefixed(most, found.limits[flaw].unit)
        return f"{text}; {words} at most {significant(most / factor, 2)} {unit}."
    return f"{text}."


def parameters(found: PartFit) -> RenderableType:
    """Values with their intervals; unresolved ones as limits."""
    return values(found.parameters, found.sources, found.limits)


def values(
    parameters: Mapping[str, Estimate],
    sources: Mapping[str, str] | None = None,
    limits: Mapping[str, Limit] | None = None,
) -> RenderableType:
    """The same of values by themselves."""
    rows: list[tuple[str | Text, ...]] = []
    for name, estimate in parameters.items():
        rows.append((Text(_NAMES.get(name, name), style="bold"), *_cells(estimate, sources or {})))
    for name, limit in (limits or {}).items():
        bound = limit.upper if limit.lower is None else limit.lower
        sign = "≤" if limit.lower is None else "≥"
        factor, unit = prefixed(bound or 0.0, limit.unit)
        text = f"{sign} {significant((bound or 0.0) / factor, 2)}"
        rows.append((Text(_NAMES.get(name, name), style="bold"), text, "", unit, "not resolved"))
    return plain_table(PARAMETER_COLUMNS, rows)


def _cells(estimate: Estimate, sources: Mapping[str, str]) -> tuple[str, str, str, str]:
    factor, unit = prefixed(estimate.value, estimate.unit)
    written = figures(estimate, factor)
    main = shares(estimate, sources)
    words = f"{100 * main[0][1]:.0f} % {main[0][0]}" if main else ""
    return written.value, written.interval, unit, words


def against_frequency(found: PartFit) -> RenderableType:
    """Equivalent series values of thirds of an octave."""
    unit, symbol = UNIT[found.kind], LETTER[found.kind]
    known = [row.value for row in found.table if row.value is not None]
    factor, sign = prefixed(float(np.median(known)) if known else 1.0, unit)
    rows = []
    for row in found.table:
        value = "not told"
        reach = ""
        if row.value is not None:
            value, reach = reaching(row.value / factor, Z95 * row.value_uncertainty / factor)
        omega = 2 * math.pi * row.frequency_hz
        cells = [f"{row.frequency_hz:g}", value, reach]
        if found.kind != "resistor":
            cells += reaching(row.series_ohm, Z95 * row.series_ohm_uncertainty)
        if found.kind == "inductor":
            has_q = row.value is not None and row.series_ohm > 2 * row.series_ohm_uncertainty
            cells.append(significant(omega * (row.value or 0) / row.series_ohm) if has_q else "")
        rows.append(cells)
    titles = ["Hz", f"{symbol} series, {sign}", "± 95 %"]
    if found.kind != "resistor":
        titles += ["R series, Ω" if found.kind == "inductor" else "ESR, Ω", "± 95 %"]
    if found.kind == "inductor":
        titles.append("Q")
    return plain_table(numbers(*titles), rows)


def against_level(levels: Sequence[AtLevel]) -> RenderableType:
    """Change of L with level."""
    rows = [
        (
            "unknown" if at.level_db is None else f"{at.level_db:.1f}",
            f"{100 * at.change:+.2f}",
            f"{196 * at.uncertainty:.2f}",
            at.source,
        )
        for at in levels
    ]
    figures_of = numbers("level, dB re full scale", "change of L, %", "± 95 %")
    return plain_table((*figures_of, Column("from", fills=True)), rows)


def span(found: PartFit) -> str:
    """Least and largest |Z|, such as ``0.41 to 104``."""
    size = np.abs(found.measured_ohm)
    return f"{significant(float(size.min()), 2)} to {significant(float(size.max()), 3)}"
