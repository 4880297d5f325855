"""``freeair levels``: parameters against level, and what they are without any."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, NamedTuple

import typer

from cli.words import options
from cli.words.options import AsJson, HowHeld, Model, Report
from meas.errors import UsageError

if TYPE_CHECKING:
    from cli.sources.opened import OpenedCurve
    from cli.terminal.sections import Section
    from fit.diagnosis.against_level import AgainstLevel
    from fit.results.result import DriverFit
    from meas.errors import Finding

_HOW = "Write FILE=LEVEL, such as low.csv=0.1V: volts for all of them, or shares of full scale."


class _Source(NamedTuple):
    """A curve of the driver and the level that it was measured at."""

    opened: OpenedCurve
    level: float
    unit: str

    @property
    def in_free_air(self) -> bool:
        return self.opened.take is None or self.opened.take.condition.name == "free-air"

    @property
    def name(self) -> str:
        return Path(self.opened.text).name


def levels(
    take: Annotated[
        list[str],
        typer.Argument(
            metavar="TAKE...",
            help="Takes of one unit at different levels; FILE=LEVEL for tables and imported takes.",
        ),
    ],
    held: HowHeld = None,
    model: Model = "auto",
    report: Report = None,
    as_json: AsJson = False,
) -> None:
    """Follow the parameters of one driver down to the small signal.

    Every free-air take is fitted by itself, together with takes with an added mass at its level;
    one added mass gives Cms and Bl at all levels. The value without any level is extrapolated, with
    its uncertainty, and a coil that warmed from take to take is named.

    \b
    freeair take lantern-1 --rig bench.toml --levels 0.05,0.1,0.2
    freeair levels takes/lantern-1_*
    """
    from cli.report import forms
    from cli.words.session import SessionWords, how_held
    from fit.compare import sitting
    from fit.diagnosis import against_level

    forms.check(report)
    options.check_model(model)
    sources = [_read(text) for text in take]
    _check(sources)
    way = how_held(SessionWords(held=held))
    free = [one for one in sources if one.in_free_air]
    fits = [(one.level, _fitted(one, sources, model)) for one in free]
    followed = against_level.against_level(against_level.with_moving_mass(fits))
    unit = sources[0].opened.name
    small = {one.name: one.small_signal for one in followed}
    of_driver = sitting.of_driver(replace(fits[0][1], parameters=small), way, unit)
    followed = tuple(replace(one, small_signal=of_driver.parameters[one.name]) for one in followed)
    found = against_level.findings(followed, _in_time(free, [fit for _, fit in fits]))
    told = _sections(unit, followed, found, "V" if sources[0].unit else "peak, full scale is 1")
    forms.give(
        f"{unit}: parameters against level",
        _lead(followed),
        told,
        lambda: _document(unit, followed, found),
        as_json=as_json,
        report=report,
        units=(unit,),
    )


def _read(text: str) -> _Source:
    from cli.sources import opened

    file, sign, written = text.rpartition("=")
    if sign and not Path(text).exists():
        return _Source(opened.curve(file, ("driver",)), *_level(written, file))
    one = opened.curve(text, ("driver",))
    if one.take is None or one.take.excitation.get("kind") == "imported":
        raise UsageError(
            "was measured elsewhere, at a level that is not stated", where=text, remedy=_HOW
        )
    return _Source(one, one.take.rig.drive.level, "")


def _level(written: str, where: str) -> tuple[float, str]:
    from cli.words import values

    try:
        share = float(written)
    except ValueError:
        return values.voltage(written, where).value, "V"
    if not 0 < share <= 1:
        raise UsageError(
            f"'{written}' is no share of full scale: more than 0, at most 1",
            where=where,
            remedy=_HOW,
        )
    return share, ""


def _check(sources: Sequence[_Source]) -> None:
    """Refuse takes that do not belong together."""
    from cli.sources import opened

    first, seen = sources[0], dict[bytes, str]()
    for one in sources:
        opened.refuse_twice(one.opened, seen)
        if one.unit != first.unit:
            raise UsageError(
                "has a level in another unit than the first take",
                where=one.opened.text,
                remedy="Write volts behind all of them, or the share of full scale.",
            )
        takes = first.opened.take, one.opened.take
        if all(takes) and len({(take.unit, take.rig.name) for take in takes if take}) > 1:
            raise UsageError(
                "is of another unit or rig than the first take",
                where=one.opened.text,
                remedy="Levels are compared for one unit on one rig.",
            )
    free = {one.level for one in sources if one.in_free_air}
    for one in sources:
        if one.level not in free:
            raise UsageError(
                "has no take in free air at its level beside it",
                where=one.opened.text,
                remedy="Give the free-air take of that level too.",
            )
    if len(free) < 2:
        raise UsageError(
            "all takes in free air were made at one level",
            where="freeair levels",
            remedy="Make some: freeair take UNIT --rig FILE --levels 0.05,0.1,0.2",
        )


def _fitted(free: _Source, sources: Sequence[_Source], model: str) -> DriverFit:
    """Fit a free-air take with all takes with an added mass at its level."""
    from cli.sources import opened, takes_and_tables
    from cli.words.session import SessionWords, session
    from fit.joint import fit_driver

    with_mass = [one for one in sources if not one.in_free_air and one.level == free.level]
    texts = [one.opened.text for one in (free, *with_mass)]
    gathered = takes_and_tables.gather(texts)
    with opened.naming(texts[0]):
        return fit_driver(gathered.curves, session(SessionWords(), boxes=False), model=model)


def _in_time(free: Sequence[_Source], fits: Sequence[DriverFit]) -> list[tuple[str, DriverFit]]:
    """Names and fits in the order of time: as taken, or as given where files do not say when."""
    named = [(one.name, fit) for one, fit in zip(free, fits, strict=True)]
    if any(one.opened.take is None or one.unit for one in free):
        return named
    when = [one.opened.take.taken_at for one in free if one.opened.take]
    return [pair for _, pair in sorted(zip(when, named, strict=True), key=lambda both: both[0])]


def _lead(followed: tuple[AgainstLevel, ...]) -> str:
    """The small-signal values in a sentence."""
    from fit.results.numbers import significant, with_unit
    from fit.results.quantities import shown

    known = {one.name: one.small_signal for one in followed}
    words = []
    for name in ("fs", "Qts", "Re", "Bl", "Cms"):
        if name in known:
            how = shown(name, known[name].unit)
            value = significant(known[name].value / how.scale)
            words.append(with_unit(f"{how.symbol} {value}", how.unit))
    return f"Without any level: {', '.join(words)}."


def _sections(
    unit: str, followed: tuple[AgainstLevel, ...], found: tuple[Finding, ...], scale: str
) -> list[Section]:
    from cli.pictures.plots_levels import levels_figure
    from cli.terminal.sections import Drawing, Findings, Rows, Section
    from cli.terminal.tables import Column, numbers
    from fit.results.numbers import figures
    from fit.results.quantities import shown

    titles = (*(f"{level:g}" for level in followed[0].levels), "small signal", "± 95 %")
    rows = []
    for one in followed:
        how = shown(one.name, one.small_signal.unit)
        written = figures(one.small_signal, how.scale)
        at_levels = (f"{value.value / how.scale:#.4g}" for value in one.values)
        rows.append((how.symbol, *at_levels, written.value, written.interval, how.unit))
    told = [
        Section(
            f"{unit}: parameters against level ({scale})",
            (
                Rows((Column(""), *numbers(*titles), Column("")), rows),
                Drawing("levels", partial(levels_figure, followed, scale),
                        "Change of each parameter over level",
                        "Change from the small signal. Bars: 95 %, with what all share."),
            ),
        )
    ]  # fmt: skip
    return [*told, Section("Doubts", (Findings(found),))] if found else told


def _document(
    unit: str, followed: tuple[AgainstLevel, ...], found: tuple[Finding, ...]
) -> dict[str, object]:
    from fit.results.saved import value_of

    return {
        "format": "freeair-levels/1",
        "unit": unit,
        "parameters": {
            one.name: {
                "levels": [
                    {"level": level, **value_of(value)}
                    for level, value in zip(one.levels, one.values, strict=True)
                ],
                "small_signal": value_of(one.small_signal),
            }
            for one in followed
        },
        "findings": [one.as_json() for one in found],
    }
