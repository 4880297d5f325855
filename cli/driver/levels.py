"""``freeair levels``: parameters against level, and what they are without any."""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from cli.terminal import show
from cli.words import options
from cli.words.options import AsJson, Model
from meas.errors import Refused, UsageError

if TYPE_CHECKING:
    from rich.table import Table

    from fit.diagnosis.against_level import AgainstLevel
    from fit.results.result import DriverFit, Estimate
    from meas.takes.take import Take


def levels(
    take: Annotated[
        list[str],
        typer.Argument(
            metavar="TAKE...", help="Takes of one unit in one condition at different levels."
        ),
    ],
    model: Model = "auto",
    as_json: AsJson = False,
) -> None:
    """Follow the parameters of one driver down to the small signal.

    Every take is fitted by itself. The value without any level is extrapolated, with what that is
    uncertain by; a coil that warmed from take to take is named.

    \b
    freeair take lantern-1 --rig bench.toml --levels 0.05,0.1,0.2
    freeair levels takes/lantern-1_*
    """
    from fit.diagnosis import against_level

    options.check_model(model)
    taken = _read(take)
    fits = [(one.rig.drive.level, _fitted(one, text, model)) for text, one in taken]
    followed = against_level.against_level(fits)
    order = sorted(range(len(taken)), key=lambda i: taken[i][1].taken_at)
    found = against_level.findings(followed, [(Path(taken[i][0]).name, fits[i][1]) for i in order])
    unit = taken[0][1].unit
    if as_json:
        show.line(json.dumps(_document(unit, followed, found), ensure_ascii=False))
        return
    show.heading(f"{unit}: parameters against level (peak, full scale is 1)")
    show.say("", _table(followed))
    if found:
        show.heading("Doubts")
        show.findings(found)


def _read(texts: list[str]) -> list[tuple[str, Take]]:
    from cli.sources import opened

    found = []
    for text in texts:
        one = opened.curve(text, ("driver",)).take
        if one is None or one.excitation.get("kind") == "imported":
            raise UsageError(
                "is no take at a known level",
                where=text,
                remedy="Give takes made with freeair take --levels.",
            )
        found.append((text, one))
    first = found[0][1]
    for text, one in found[1:]:
        if (one.unit, one.condition, one.rig.name) != (
            first.unit,
            first.condition,
            first.rig.name,
        ):
            raise UsageError(
                "is of another unit, condition or rig than the first take",
                where=text,
                remedy="Levels are compared for one unit in one condition on one rig.",
            )
    if len({one.rig.drive.level for _, one in found}) < 2:
        raise UsageError(
            "all takes were made at one level",
            where="freeair levels",
            remedy="Make some: freeair take UNIT --rig FILE --levels 0.05,0.1,0.2.",
        )
    return found


def _fitted(take: Take, text: str, model: str) -> DriverFit:
    from cli.sources import takes_and_tables
    from cli.words.session import SessionWords, session
    from fit.joint import fit_driver

    gathered = takes_and_tables.gather([text], (), (), None)
    try:
        return fit_driver(gathered.curves, session(SessionWords(), boxes=False), model=model)
    except Refused as error:
        raise Refused(error.reasons, where=text, remedy=error.remedy) from error


def _table(followed: tuple[AgainstLevel, ...]) -> Table:
    from rich import box
    from rich.table import Table

    table = Table(box=box.SIMPLE_HEAD, show_edge=False, pad_edge=False, header_style="bold")
    table.add_column("")
    for level in followed[0].levels:
        table.add_column(f"{level:g}", justify="right")
    table.add_column("small signal", justify="right")
    table.add_column("± 95 %", justify="right")
    table.add_column("")
    for one in followed:
        low, high = one.small_signal.interval_95
        unit = {"ohm": "Ω", "1": ""}.get(one.small_signal.unit, one.small_signal.unit)
        table.add_row(
            one.name,
            *(f"{value.value:#.4g}" for value in one.values),
            f"{one.small_signal.value:#.4g}",
            f"{(high - low) / 2:.2g}",
            unit,
        )
    return table


def _document(
    unit: str, followed: tuple[AgainstLevel, ...], found: tuple[object, ...]
) -> dict[str, object]:
    from meas.errors import Finding

    def plain(one: Estimate) -> dict[str, object]:
        return {
            "value": one.value,
            "unit": one.unit,
            "standard_uncertainty": one.standard_uncertainty,
            "interval_95": list(one.interval_95),
        }

    return {
        "format": "freeair-levels/1",
        "unit": unit,
        "parameters": {
            one.name: {
                "levels": [
                    {"level": level, **plain(value)}
                    for level, value in zip(one.levels, one.values, strict=True)
                ],
                "small_signal": plain(one.small_signal),
            }
            for one in followed
        },
        "findings": [one.as_json() for one in found if isinstance(one, Finding)],
    }
