"""``freeair series judge``: one unit in, inside, outside or undecided out."""

from __future__ import annotations

import json
import math
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from cli import series_units, show
from cli.fit import MISSED, UNDECIDED
from cli.options import AsJson, ByStatus
from cli.series_units import Diameter, Temperature, Tolerance
from meas.errors import Finding, Refused, UsageError

if TYPE_CHECKING:
    from cli.gather import Gathered
    from cli.session import SessionWords
    from fit.result import DriverFit
    from fit.series_judge import UnitVerdict
    from fit.series_limits import SeriesLimits

SIGNS = ("rub",)
"""Findings about a take that no good unit has."""


def judge(
    unit: Annotated[
        list[str],
        typer.Argument(
            metavar="TAKE...",
            help="Takes or tables of one unit, or one saved fit. A table is in free air.",
        ),
    ],
    limits: Annotated[Path, typer.Option(metavar="FILE", help="Made with freeair series limits.")],
    diameter: Diameter = None,
    air_temperature: Temperature = None,
    table_tolerance: Tolerance = None,
    judge_by_status: ByStatus = False,
    as_json: AsJson = False,
) -> None:
    """Judge one unit by the limits of its series: inside, outside or undecided, and why.

    \b
    freeair series judge takes/lantern-07_free-air_* --limits lantern-limits.toml
    freeair series judge lantern-07.json --limits lantern-limits.toml --judge-by-status
    """
    from cli import series_file, states

    found = series_file.read(limits)
    paths = [Path(text) for text in unit]
    if any(states.is_json(path) for path in paths):
        if len(paths) > 1:
            raise UsageError(
                "a saved fit and something else",
                where=" ".join(unit),
                remedy="Give one saved fit, or takes of one unit: one command judges one unit.",
            )
        name, fitted = states.read_fit(paths[0])
        doubts: tuple[Finding, ...] = fitted.warnings
        verdict = _of_fit(fitted, found)
    else:
        from cli import gather

        gathered = gather.gather(unit, (), (), None, table_tolerance)
        name, doubts = gathered.unit, gathered.findings
        words = series_units.words(diameter, air_temperature, table_tolerance)
        verdict, fitted_doubts = _of_takes(gathered, found, words)
        doubts = (*doubts, *fitted_doubts)
    verdict, doubts = _with_signs(verdict, doubts)
    if as_json:
        document = _document(name, limits, verdict, doubts)
        show.line(json.dumps(document, ensure_ascii=False, allow_nan=False))
    else:
        _print(name, verdict, doubts)
    status = {"outside": MISSED, "undecided": UNDECIDED}.get(verdict.verdict, 0)
    if judge_by_status and status:
        raise typer.Exit(status)


def _of_fit(fitted: DriverFit, limits: SeriesLimits) -> UnitVerdict:
    from fit.series_judge import judge_unit

    return judge_unit(fitted, limits)


def _of_takes(
    gathered: Gathered, limits: SeriesLimits, words: SessionWords
) -> tuple[UnitVerdict, tuple[Finding, ...]]:
    """Fitted by the model of the limits; by its bare curve where no fit is possible."""
    session = series_units.session([gathered], words)
    try:
        fitted = series_units.fitted_by(gathered, session, limits.model, "model of the limits")
    except Refused as refused:
        return _bare(gathered, limits, refused), refused.reasons
    return _of_fit(fitted, limits), fitted.warnings


def _bare(gathered: Gathered, limits: SeriesLimits, refused: Refused) -> UnitVerdict:
    """What a curve alone tells that no fit follows; the refusal itself where that is nothing."""
    from fit.series_judge import judge_curve
    from fit.series_mask import bare_profile
    from meas.curve import ImpedanceCurve

    free = next((c.curve for c in gathered.curves if c.condition.name == "free-air"), None)
    if free is None:
        raise refused
    ohm = free.impedance_ohm if isinstance(free, ImpedanceCurve) else free.magnitude_ohm
    verdict = judge_curve(bare_profile(free.frequency_hz, ohm), limits)
    if verdict is None:
        raise refused
    return verdict


def _with_signs(
    verdict: UnitVerdict, doubts: Sequence[Finding]
) -> tuple[UnitVerdict, tuple[Finding, ...]]:
    """Signs of a fault in the take itself make a unit outside."""
    signs = tuple(doubt for doubt in doubts if doubt.code in SIGNS)
    rest = tuple(dict.fromkeys(doubt for doubt in doubts if doubt.code not in SIGNS))
    if not signs:
        return verdict, rest
    return replace(verdict, verdict="outside", findings=(*signs, *verdict.findings)), rest


def _document(
    name: str, limits: Path, verdict: UnitVerdict, doubts: Sequence[Finding]
) -> dict[str, Any]:
    return {
        "format": "freeair-series-verdict/1",
        "unit": name,
        "limits": str(limits),
        "verdict": verdict.verdict,
        "judged": [
            {
                "parameter": item.limit.parameter,
                "unit": item.limit.unit,
                "lower": item.limit.lower,
                "upper": item.limit.upper,
                "centre": item.limit.centre,
                "verdict": item.verdict,
            }
            | (
                {}
                if item.value is None or item.interval_95 is None
                else {
                    "value": item.value,
                    "interval_95": list(item.interval_95),
                    "deviation_log": item.deviation,
                    "beyond_log": item.beyond,
                }
            )
            for item in verdict.judged
        ],
        "curve": [
            {
                "layer": item.layer,
                "verdict": item.verdict,
                "frequency_hz": item.frequency_hz,
                "size": item.size,
                "limit": item.limit,
                "reach_95": item.reach_95,
                "outside_hz": list(item.outside_hz),
            }
            for item in verdict.departures
        ],
        "findings": [{"code": f.code, "text": f.text} for f in verdict.findings],
        "warnings": [{"code": f.code, "text": f.text} for f in doubts],
    }


def _print(name: str, verdict: UnitVerdict, doubts: Sequence[Finding]) -> None:
    from rich.text import Text

    from cli import tables
    from cli.display import in_order, shown, signed_percent
    from fit.series_mask import WORDS
    from fit.series_values import DECIBEL

    show.say(Text(f"{name}: ").append(verdict.verdict, style=tables.VERDICT_STYLE[verdict.verdict]))
    if verdict.findings:
        show.heading("Why")
        show.findings(verdict.findings)
    by_symbol = {item.limit.parameter: item for item in verdict.judged}
    rows = []
    for symbol in in_order(by_symbol):
        item = by_symbol[symbol]
        how = shown(symbol, item.limit.unit)
        low, high = (
            "" if v is None else f"{v / how.scale:.4g}"
            for v in (item.limit.lower, item.limit.upper)
        )
        off = signed_percent(math.expm1(item.deviation))
        if item.limit.unit == "dB":
            off = f"{item.deviation / DECIBEL:+.1f} dB"
        rows.append(
            (
                Text(show.spelt(how.symbol), style="bold"),
                low,
                f"{item.value / how.scale:.4g}" if item.value is not None else "unknown",
                high,
                how.unit,
                "" if item.value is None else off,
                Text(item.verdict, style=tables.VERDICT_STYLE[item.verdict]),
            )
        )
    columns = (
        tables.Column(""),
        tables.Column("lower", right=True),
        tables.Column("measured", right=True),
        tables.Column("upper", right=True),
        tables.Column(""),
        tables.Column("off centre", right=True),
        tables.Column(""),
    )
    if rows:
        show.say("", tables.plain_table(columns, rows))
    for departure in verdict.departures:
        show.say(f"{WORDS[departure.layer]}: {departure.verdict}")
    if doubts:
        show.heading("Doubts about the take")
        show.findings(doubts)
