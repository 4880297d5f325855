"""``freeair series limits``: what good units look like, from several of them."""

from __future__ import annotations

from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from cli.series import units as series_units
from cli.series.units import Diameter, Model, Temperature, Tolerance, Units
from cli.terminal import show
from cli.terminal.sections import Block, Drawing, Findings, Rows, Section
from cli.terminal.tables import Column, numbers
from cli.words import units
from cli.words.options import AsJson, HowHeld, Report, valued
from cli.words.values import Value
from meas.errors import UsageError

if TYPE_CHECKING:
    from fit.series.limits import SeriesLimits


def limits(
    units: Units,
    save: Annotated[
        Path, typer.Option(metavar="FILE.toml", help="File to make, commented and editable.")
    ],
    coverage: Value | None = valued(
        units.PERCENT, "--coverage", "PCT", "Share of good units within each limit. Default 99%."
    ),
    confidence: Value | None = valued(
        units.PERCENT, "--confidence", "PCT", "How sure that is to be. Default 90%."
    ),
    model: Model = None,
    diameter: Diameter = None,
    air_temperature: Temperature = None,
    held: HowHeld = None,
    table_tolerance: Tolerance = None,
    report: Report = None,
    as_json: AsJson = False,
) -> None:
    """Derive limits from several good units.

    One bad unit among them does not move the limits; it is named. Errors that all units share do
    not widen them.

    \b
    freeair series limits takes/lantern-* --save lantern-limits.toml
    freeair series limits good-*.json --coverage 95% --save lantern-limits.toml
    """
    from cli.report import forms
    from cli.series import limits_file
    from fit.series import limits as series_limits
    from fit.series.judge import reference_units

    forms.check(report, None, save)
    share = _share(coverage, "--coverage", series_limits.COVERAGE)
    sure = _share(confidence, "--confidence", series_limits.CONFIDENCE)
    words = series_units.words(diameter, air_temperature, table_tolerance, held)
    read = series_units.read(units, words, model)
    named = series_units.named_fits(read)
    found = series_limits.derive(named, coverage=share, confidence=sure)
    found = replace(found, findings=(*found.findings, *reference_units(named, found)))
    limits_file.write(save, found)
    sections = _sections(found)
    lead = f"What {len(found.units)} good units say of the next one."
    forms.give(
        "Limits of the series",
        lead,
        sections,
        lambda: _document(found),
        as_json=as_json,
        report=report,
        units=found.units,
    )
    if as_json:
        show.note(f"Limits: {save}")
        return
    show.say("")
    show.line(str(save))  # last on standard output, for scripts
    show.note(f"Look through it, then: freeair series judge TAKE --limits {save}")


def _share(said: Value | None, option: str, default: float) -> float:
    if said is None:
        return default
    share = said.value / 100
    if not 0.5 <= share <= 0.9999:
        raise UsageError(
            f"'{said.written}' is no share to claim",
            where=option,
            remedy="Write a percentage from 50% to 99.99%, such as 95%.",
        )
    return share


def _document(found: SeriesLimits) -> dict[str, Any]:
    return {
        "format": "freeair-series-limits/1",
        "units": list(found.units),
        "model": found.model,
        "coverage": found.coverage,
        "confidence": found.confidence,
        "limits": [
            {
                "parameter": limit.parameter,
                "unit": limit.unit,
                "centre": limit.centre,
                "lower": limit.lower,
                "upper": limit.upper,
                "spread_relative": limit.spread,
                "measuring_relative": limit.measuring,
                "judged": limit.judged,
            }
            for limit in found.limits
        ],
        "findings": [f.as_json() for f in found.findings],
    }


def _sections(found: SeriesLimits) -> list[Section]:
    from cli.series.picture import mask_figure
    from fit.results.numbers import percent
    from fit.results.quantities import in_order, shown

    by_symbol = {limit.parameter: limit for limit in found.limits if limit.judged}
    rows = []
    for symbol in in_order(by_symbol):
        limit = by_symbol[symbol]
        how = shown(symbol, limit.unit)
        ends = [f"{v / how.scale:.4g}" for v in (limit.lower, limit.centre, limit.upper) if v]
        spreads = percent(limit.spread), percent(limit.measuring)
        rows.append((how.symbol, *ends, how.unit, *spreads))
    columns = (
        Column(""),
        *numbers("lower", "centre", "upper"),
        Column(""),
        *numbers("spread", "measuring"),
    )
    blocks: list[Block] = [
        Rows(columns, rows),
        "",
        f"Each holds {100 * found.coverage:g} % of good units with {100 * found.confidence:g} % "
        "confidence, if they scatter normally; more units would narrow them. Spread: standard "
        "deviation over the units. Measuring: what of it is measurement and not the units.",
    ]
    if found.mask is not None:
        blocks += [
            "The curves themselves are judged too, beyond what their parameters tell.",
            Drawing(
                "good", partial(mask_figure, found.mask), "The band of good units' impedance",
                "Where good units lie.",
            ),
        ]  # fmt: skip
    sections = [Section(f"Limits from {len(found.units)} units", blocks)]
    if found.findings:
        sections.append(Section("Doubts", (Findings(found.findings),)))
    return sections
