"""``freeair series judge``: one unit in, inside, outside or undecided out."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import asdict, dataclass, replace
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from cli.driver.fit import MISSED, UNDECIDED
from cli.series import units
from cli.series.units import Diameter, Temperature, Tolerance
from cli.terminal import show
from cli.terminal.sections import Block, Drawing, Findings, Rows, Section
from cli.terminal.tables import numbers
from cli.words.options import AsJson, ByStatus, HowHeld, Report, option
from meas.errors import Finding, Refused, UsageError

if TYPE_CHECKING:
    from cli.sources.takes_and_tables import Gathered
    from cli.words.session import SessionWords
    from fit.compare.sitting import Held
    from fit.given.measured import Session
    from fit.results.result import DriverFit
    from fit.series.judge import UnitVerdict
    from fit.series.limits import SeriesLimits
    from fit.series.mask import Profile
    from meas.curve import FloatArray

SIGNS = ("rub",)
"""Findings about a take that no good unit has."""


def judge(
    unit: Annotated[
        list[str],
        typer.Argument(
            metavar="TAKE",
            help="Takes or tables of one unit, or one saved fit. A table is in free air.",
        ),
    ],
    limits: Annotated[Path, typer.Option(metavar="FILE", help="Made with freeair series limits.")],
    diameter: Diameter = None,
    air_temperature: Temperature = None,
    held: HowHeld = None,
    table_tolerance: Tolerance = None,
    picture: Path | None = option("FILE.png|svg", "Draw it among the good ones."),
    report: Report = None,
    judge_by_status: ByStatus = False,
    as_json: AsJson = False,
) -> None:
    """Judge one unit: inside, outside or undecided, and why.

    \b
    freeair series judge takes/lantern-07_free-air_* --limits lantern-limits.toml
    freeair series judge lantern-07.json --limits lantern-limits.toml --judge-by-status
    """
    from rich.text import Text

    from cli.pictures import plots
    from cli.report import forms
    from cli.series import limits_file
    from cli.sources import opened
    from cli.terminal import tables

    forms.check(report, picture)
    found = limits_file.read(limits)
    if picture is not None and found.mask is None:
        raise UsageError(
            "has no curves to draw a unit against",
            where=str(limits),
            remedy="Set judged = true below [curve] in it, or leave out --picture.",
        )
    paths = [Path(text) for text in unit]
    if any(opened.is_document(path) for path in paths):
        if len(paths) > 1:
            raise UsageError(
                "a saved fit and something else",
                where=" ".join(unit),
                remedy="Give one saved fit, or takes of one unit: one command judges one unit.",
            )
        name, fitted = opened.fit(paths[0])
        judged_unit = _of_fit(name, fitted, found, ())
    else:
        from cli.sources import takes_and_tables

        gathered = takes_and_tables.gather(unit, table_tolerance=table_tolerance)
        words = units.words(diameter, air_temperature, table_tolerance, held)
        judged_unit = _of_takes(gathered, found, words)
    verdict, doubts = _with_signs(judged_unit.verdict, judged_unit.doubts)
    draw = partial(_figure, found, judged_unit, verdict)
    drawing = None if found.mask is None else Drawing(
        "unit", draw, "The unit's impedance in the band of good units",
        "Diamonds: outside of what good units show.",
    )  # fmt: skip
    if picture is not None:
        plots.save_picture(draw(), picture)
    if not as_json:
        style = tables.VERDICT_STYLE[verdict.verdict]
        show.say(Text(f"{judged_unit.name}: ").append(verdict.verdict, style=style))
    forms.give(
        f"{judged_unit.name}: {verdict.verdict}",
        f"{judged_unit.name} is {verdict.verdict} by {limits.name}.",
        _sections(verdict, doubts, drawing),
        lambda: _document(judged_unit.name, limits, verdict, doubts),
        as_json=as_json,
        report=report,
        units=(judged_unit.name,),
        files={"Picture": picture},
    )
    status = {"outside": MISSED, "undecided": UNDECIDED}.get(verdict.verdict, 0)
    if judge_by_status and status:
        raise typer.Exit(status)


@dataclass(frozen=True, eq=False)
class _JudgedUnit:
    """A unit with its verdict, and its curve for a picture."""

    name: str
    verdict: UnitVerdict
    doubts: tuple[Finding, ...]
    profile: Profile
    frequency_hz: FloatArray
    magnitude_ohm: FloatArray


def _figure(limits: SeriesLimits, judged_unit: _JudgedUnit, verdict: UnitVerdict) -> Any:
    from cli.series.picture import unit_figure

    assert limits.mask is not None  # asked for only where there is one
    return unit_figure(
        limits.mask,
        judged_unit.profile,
        (judged_unit.frequency_hz, judged_unit.magnitude_ohm),
        verdict.departures,
        (judged_unit.name, verdict.verdict),
        next((one.value for one in verdict.judged if one.limit.parameter == "fs"), None),
    )


def _of_fit(
    name: str, fitted: DriverFit, limits: SeriesLimits, doubts: tuple[Finding, ...]
) -> _JudgedUnit:
    from fit.series.judge import judge_unit
    from fit.series.mask import profile

    curve = fitted.free_air[0]
    return _JudgedUnit(
        name,
        judge_unit(fitted, limits),
        (*doubts, *fitted.warnings),
        profile(fitted),
        curve.frequency_hz,
        abs(curve.measured_ohm),
    )


def _of_takes(gathered: Gathered, limits: SeriesLimits, words: SessionWords) -> _JudgedUnit:
    """Judge takes by a fit of the limits' model, or by the curve alone where none is possible."""
    from cli.words.session import how_held
    from fit.compare.sitting import of_driver

    session, held = units.session([gathered], words), how_held(words)
    near_fit = _near_reference(gathered, session, limits, held)
    if near_fit is not None:
        return near_fit
    try:
        fitted = units.fitted_by(gathered, session, limits.model, "model of the limits")
    except Refused as refused:
        return _by_curve_alone(gathered, limits, refused)
    return _of_fit(gathered.unit, of_driver(fitted, held, gathered.unit), limits, gathered.findings)


def _near_reference(
    gathered: Gathered, session: Session, limits: SeriesLimits, held: Held
) -> _JudgedUnit | None:
    """Fit from where the reference lies, which takes a hundredth of the time.

    Good only where the curve leaves no more over than that of good units does: then it is the fit
    that a long search would have found. None where it has to be searched for.
    """
    from fit.compare.sitting import of_driver
    from fit.joint import fit_near

    free = sum(curve.condition.name == "free-air" for curve in gathered.curves)
    if free != 1 or not limits.near or limits.mask is None:
        return None
    try:
        fitted = fit_near(gathered.curves, session, limits.model, limits.near)
    except (Refused, ValueError):
        return None
    whole = of_driver(fitted, held, gathered.unit)
    judged_unit = _of_fit(gathered.unit, whole, limits, gathered.findings)
    departures = judged_unit.verdict.departures
    return judged_unit if departures and all(d.verdict == "inside" for d in departures) else None


def _by_curve_alone(gathered: Gathered, limits: SeriesLimits, refused: Refused) -> _JudgedUnit:
    """Judge a curve that no fit follows; raise the refusal itself where it tells nothing."""
    from fit.series.judge import judge_curve
    from fit.series.mask import bare_profile
    from meas.curve import ImpedanceCurve

    free = next((c.curve for c in gathered.curves if c.condition.name == "free-air"), None)
    if free is None:
        raise refused
    ohm = abs(free.impedance_ohm) if isinstance(free, ImpedanceCurve) else free.magnitude_ohm
    profile = bare_profile(free.frequency_hz, ohm)
    verdict = judge_curve(profile, limits)
    if verdict is None:
        raise refused
    doubts = (*gathered.findings, *refused.reasons)
    return _JudgedUnit(gathered.unit, verdict, doubts, profile, free.frequency_hz, ohm)


def _with_signs(
    verdict: UnitVerdict, doubts: Sequence[Finding]
) -> tuple[UnitVerdict, tuple[Finding, ...]]:
    """Call a unit outside where the take itself shows signs of a fault."""
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
        "curve": [asdict(item) for item in verdict.departures],
        "findings": [f.as_json() for f in verdict.findings],
        "warnings": [f.as_json() for f in doubts],
    }


def _sections(
    verdict: UnitVerdict, doubts: Sequence[Finding], drawing: Drawing | None
) -> list[Section]:
    from rich.text import Text

    from cli.terminal import tables
    from fit.results.numbers import signed_percent
    from fit.results.quantities import in_order, shown
    from fit.results.result import DECIBEL
    from fit.series.mask import WORDS

    sections = []
    if verdict.findings:
        sections.append(Section("Why", (Findings(verdict.findings),)))
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
    empty = tables.Column("")
    columns = (empty, *numbers("lower", "measured", "upper"), empty, *numbers("off centre"), empty)
    blocks: list[Block] = [Rows(columns, rows)] if rows else []
    blocks += [f"{WORDS[one.layer]}: {one.verdict}" for one in verdict.departures]
    if drawing is not None:
        blocks.append(drawing)
    sections.append(Section("Against the limits", blocks))
    if doubts:
        sections.append(Section("Doubts about the take", (Findings(doubts),)))
    return sections
