"""Results as escaped HTML for notebooks, in the units of the workshop."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from html import escape
from typing import TYPE_CHECKING

from fit.results.model_words import in_words
from fit.results.numbers import figures, rounded, workshop
from fit.results.quantities import quantity
from fit.results.shares import shares

if TYPE_CHECKING:
    from fit.results.result import DriverFit, Estimate, FittedCurve

_MOST_DIGITS = 6


def estimate_cells(estimate: Estimate) -> tuple[str, str, str]:
    """Value, 95 % interval and unit; digits as the interval deserves (JCGM 100:2008, 7.2.6)."""
    scale, unit = workshop(estimate.unit)
    low, high = estimate.interval_95
    if not high > low or not math.isfinite(high - low):
        return rounded(estimate.value / scale, _MOST_DIGITS), "", unit
    written = figures(estimate, scale, _MOST_DIGITS)
    return written.value, f"{written.low} to {written.high}", unit


def estimate_text(estimate: Estimate) -> str:
    """Write an estimate such as ``31.24 Hz (95 %: 31.10 to 31.38)``."""
    value, interval, unit = estimate_cells(estimate)
    shown = f"{value} {unit}".rstrip()
    return f"{shown} (95 %: {interval})" if interval else shown


def fit_html(fit: DriverFit) -> str:
    """Show the parameters with their intervals and largest error source, then the doubts."""
    rows = []
    for symbol, estimate in fit.parameters.items():
        value, interval, unit = estimate_cells(estimate)
        name = quantity(symbol, estimate.unit).name
        if estimate.frequency_hz is not None:
            name += f" at {estimate.frequency_hz:g} Hz"
        parts = shares(estimate, fit.sources)
        limit = f"{parts[0][0]} ({100 * parts[0][1]:.0f} %)" if parts else ""
        rows.append((symbol, value, unit, interval, name, limit))
    heads = ("", "value", "unit", "95 % interval", "", "limited most by (share of the variance)")
    curves = (
        f"{curve.condition} ({curve.source}): {curve.frequency_hz.size} points, "
        f"{100 * curve.residual_rms_relative:.2g} % off the model"
        for curve in fit.curves
    )
    doubts = (finding.text for finding in fit.warnings)
    return (
        table(heads, rows)
        + paragraphs([f"Model {fit.model}: {in_words(fit.model, fit.parameters)}", *curves])
        + paragraphs(doubts, head="Doubts")
    )


def curve_html(curve: FittedCurve) -> str:
    """Show source, condition, extent and misfit of a fitted curve."""
    first, last = curve.frequency_hz[[0, -1]]
    rows = [
        ("source", curve.source),
        ("condition", curve.condition),
        ("points", f"{curve.frequency_hz.size}, {rounded(first, 4)} Hz to {rounded(last, 4)} Hz"),
        ("off the model", f"{100 * curve.residual_rms_relative:.2g} % (root mean square)"),
    ]
    return table((), rows)


def table(heads: Sequence[str], rows: Iterable[Sequence[str]]) -> str:
    """Build an HTML table of escaped cells."""
    head = "".join(f"<th>{escape(cell)}</th>" for cell in heads)
    body = "".join(
        "<tr>" + "".join(f"<td>{escape(cell)}</td>" for cell in row) + "</tr>" for row in rows
    )
    return (
        f"<table>{f'<thead><tr>{head}</tr></thead>' if head else ''}<tbody>{body}</tbody></table>"
    )


def paragraphs(texts: Iterable[str], head: str = "") -> str:
    """Show lines of text below a table, escaped; empty for no lines."""
    lines = [escape(text) for text in texts]
    if not lines:
        return ""
    return f"<p>{f'<b>{escape(head)}</b><br>' if head else ''}{'<br>'.join(lines)}</p>"
