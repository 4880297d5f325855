"""``freeair series summary``: a series in numbers."""

from __future__ import annotations

import math
from collections.abc import Sequence
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

from cli.series import units as series_units
from cli.series.units import Diameter, Model, Temperature, Tolerance, Units
from cli.terminal.sections import Drawing, Listed, Rows, Section
from cli.terminal.tables import Column, numbers
from cli.words.options import AsJson, HowHeld, Report, option

if TYPE_CHECKING:
    from cli.series.units import Unit
    from fit.numerics.robust import Share
    from fit.series.statistics import Statistics


def summary(
    units: Units,
    limits: Path | None = option("FILE", "Tell how many lie, and how many to expect, outside."),
    model: Model = None,
    diameter: Diameter = None,
    air_temperature: Temperature = None,
    held: HowHeld = None,
    table_tolerance: Tolerance = None,
    report: Report = None,
    as_json: AsJson = False,
) -> None:
    """Tell the spread of a series, and what drifts.

    How the units scatter, what of it is measurement and not the units, which are unlike the rest.

    \b
    freeair series summary takes/lantern-* --diameter 118mm
    freeair series summary lantern-*.json --limits lantern-limits.toml --json
    """
    from cli.report import forms
    from cli.series import limits_file
    from fit.series.statistics import summarise

    forms.check(report)
    bounds = None
    if limits is not None:
        meant = limits_file.read(limits)
        model = model or meant.model
        bounds = {one.parameter: (one.lower, one.upper) for one in meant.limits if one.judged}
    words = series_units.words(diameter, air_temperature, table_tolerance, held)
    read = series_units.read(units, words, model)
    found = summarise(series_units.named_fits(read), bounds)
    timed = all(unit.made_at for unit in read)  # then they stand in the order of their takes
    names = [unit.name for unit in read]
    forms.give(
        "The series in numbers",
        _lead(found, len(read)),
        _sections(read, found, timed=timed),
        lambda: _document(names, read[0].fit.model, found, timed=timed),
        as_json=as_json,
        report=report,
        units=names,
    )


def _document(
    names: Sequence[str], model: str, found: Sequence[Statistics], *, timed: bool
) -> dict[str, Any]:
    return {
        "format": "freeair-series-summary/1",
        "units": list(names),
        "model": model,
        "order": "time" if timed else "as given",
        "quantities": [_quantity(one) for one in found],
    }


def _quantity(one: Statistics) -> dict[str, Any]:
    content: dict[str, Any] = {
        "parameter": one.parameter,
        "unit": one.unit,
        "n": one.n,
        "centre": one.centre,
        "median": one.median,
        "lowest": one.lowest,
        "highest": one.highest,
        "spread_relative": one.spread,
        "spread_relative_95": list(one.spread_95),
        "measuring_relative": one.measuring,
        "measuring_share_of_variance": one.measuring_share,
        "units_apart_relative": one.units_apart,
        "outliers": [
            {
                "unit": o.name,
                "value": o.value,
                "deviation_log": o.deviation,
                "probability_by_chance": o.chance,
            }
            for o in one.outliers
        ],
    }
    if one.drift is not None:
        content["drift"] = {
            "told": one.drifts,
            "probability_by_chance": one.drift.probability,
            "per_unit_log": one.drift.middle,
            "per_unit_log_95": [one.drift.low, one.drift.high],
        }
    if one.beyond is not None:
        content["outside"] = {
            "lower": one.beyond.lower,
            "upper": one.beyond.upper,
            "counted": one.beyond.counted,
            "counted_share": _share(one.beyond.counted_share),
            "expected_share": _share(one.beyond.expected),
        }
    return content


def _share(share: Share) -> dict[str, Any]:
    return {"value": share.value, "interval_95": [share.low, share.high]}


def _sections(read: Sequence[Unit], found: Sequence[Statistics], *, timed: bool) -> list[Section]:
    from cli.series.picture import spread_figure
    from fit.results.numbers import percent
    from fit.results.quantities import in_order, shown

    by_symbol = {one.parameter: one for one in found}
    order = in_order(by_symbol)
    rows = []
    for symbol in order:
        one = by_symbol[symbol]
        how = shown(symbol, one.unit)
        rows.append(
            (
                how.symbol,
                *(f"{v / how.scale:.4g}" for v in (one.lowest, one.centre, one.highest)),
                how.unit,
                percent(one.spread),
                " … ".join(percent(end).removesuffix(" %") for end in one.spread_95),
                percent(one.measuring),
                percent(one.measuring_share),
            )
        )
    columns = (
        Column(""),
        *numbers("least", "centre", "most"),
        Column(""),
        *numbers("spread", "95 %", "measuring", "share"),
    )

    drawing = Drawing(
        "spread", partial(spread_figure, series_units.named_fits(read), found),
        "Every unit's distance from the centre of the series, by quantity",
        "Dots: units. Bar: one standard deviation of the series either way. Diamonds: unlike the "
        "rest.",
    )  # fmt: skip
    sections = [
        Section(
            f"{len(read)} units",
            (
                Rows(columns, rows),
                "",
                "Spread: standard deviation over the units (robust). Measuring: how far one unit "
                "would scatter, measured again; share: of the variance. Errors that all units "
                "share count in neither.",
                drawing,
            ),
        )
    ]
    lines = [line for symbol in order for line in _lines(by_symbol[symbol], timed=timed)]
    if not any(one.outliers for one in found):
        lines.append(_farthest(min(found, key=lambda one: one.farthest.chance)))
    if not any(one.drifts for one in found):
        order_said = "time" if timed else "the order given"
        lines.append(
            f"No drift in {order_said}."
            if any(one.drift is not None for one in found)
            else f"Too few units to tell a drift in {order_said}."
        )
    sections.append(Section("What stands out", (Listed(lines),)))
    outside = [by_symbol[symbol] for symbol in order if by_symbol[symbol].beyond is not None]
    if outside:
        sections.append(Section("Outside the limits", (_outside_table(outside),)))
    return sections


def _lead(found: Sequence[Statistics], count: int) -> str:
    """The series in a sentence."""
    strangers = {outlier.name for one in found for outlier in one.outliers}
    if not strangers:
        return f"{count} units, none unlike the rest."
    verb = "is" if len(strangers) == 1 else "are"
    return f"{count} units; {', '.join(sorted(strangers))} {verb} unlike the rest."


def _lines(one: Statistics, *, timed: bool) -> list[str]:
    from fit.results.quantities import spoken
    from fit.series.limits import written_difference

    name = spoken(one.parameter)
    lines = [
        f"{outlier.name}: {name} lies {written_difference(outlier.deviation, one.unit)} the "
        f"centre, unlike the rest; by chance in {_of_hundred(outlier.chance)} such series"
        for outlier in one.outliers
    ]
    if one.drift is not None and one.drifts:
        rises = "rises" if one.drift.middle > 0 else "falls"
        low, high = (100 * math.expm1(v) for v in (one.drift.low, one.drift.high))
        lines.append(
            f"{name} {rises} in {'time' if timed else 'the order given'}: "
            f"{100 * math.expm1(one.drift.middle):+.2g} % a unit (95 %: {low:+.2g} to "
            f"{high:+.2g} %); by chance with {100 * one.drift.probability:.1g} % probability"
        )
    return lines


def _farthest(one: Statistics) -> str:
    from fit.results.quantities import spoken
    from fit.series.limits import written_difference

    far = one.farthest
    return (
        f"Farthest out is {far.name}: {spoken(one.parameter)} lies "
        f"{written_difference(far.deviation, one.unit)} the centre. Chance alone does that in "
        f"{_of_hundred(far.chance)} such series."
    )


def _of_hundred(chance: float) -> str:
    if chance < 0.001:
        return "less than one of 1,000"
    return f"{1000 * chance:.0f} of 1,000" if chance < 0.02 else f"{100 * chance:.0f} of 100"


def _percent(share: float) -> str:
    """Shares below a hundredth of a per cent are none that a small series could tell."""
    if 0 < share < 1e-4:
        return "< 0.01"
    return f"{100 * share:.2g}"


def _outside_table(found: Sequence[Statistics]) -> Rows:
    from fit.results.quantities import shown

    rows = []
    for one in found:
        if one.beyond is None:
            continue
        counted, expected = one.beyond.counted_share, one.beyond.expected
        rows.append(
            (
                shown(one.parameter, one.unit).symbol,
                f"{one.beyond.counted} of {one.n}",
                f"{_percent(counted.low)} … {_percent(counted.high)} %",
                f"{_percent(expected.value)} %",
                f"{_percent(expected.low)} … {_percent(expected.high)} %",
            )
        )
    return Rows((Column(""), *numbers("counted", "95 %", "expected", "95 %")), rows)
