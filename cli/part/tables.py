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
from fit.results.numbers import decimals_for, figures, number, prefixed, significant
from fit.results.result import Z95
from fit.results.shares import shares

if TYPE_CHECKING:
    from fit.parts.against_level import AtLevel
    from fit.parts.part_fit import PartFit
    from fit.results.result import Estimate

_NAMES = {"Rcore": "R core", "Q_1kHz": "Q 1 kHz", "ESR": "ESR 1 kHz"}


def parameters(found: PartFit) -> RenderableType:
    """Values with their intervals; unresolved ones as limits."""
    rows: list[tuple[str | Text, ...]] = []
    for name, estimate in found.parameters.items():
        rows.append((Text(_NAMES.get(name, name), style="bold"), *_cells(estimate, found.sources)))
    for name, limit in found.limits.items():
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
    return written.value, written.reach, unit, words


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
            decimals = decimals_for(row.value_uncertainty * Z95 / factor, row.value / factor)
            value = number(row.value / factor, decimals)
            reach = number(Z95 * row.value_uncertainty / factor, decimals)
        series = decimals_for(Z95 * row.series_ohm_uncertainty, row.series_ohm or 1.0)
        omega = 2 * math.pi * row.frequency_hz
        cells = [f"{row.frequency_hz:g}", value, reach]
        if found.kind != "resistor":
            cells += [
                number(row.series_ohm, series),
                number(Z95 * row.series_ohm_uncertainty, series),
            ]
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
