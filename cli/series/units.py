"""The units of a series: saved fits, and takes and tables that are fitted here and now."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, TypeVar

import typer

from cli.terminal import show
from meas.errors import UsageError

if TYPE_CHECKING:
    from cli.sources.takes_and_tables import Gathered
    from cli.words.session import SessionWords
    from fit.given.measured import Session
    from fit.results.result import DriverFit

Units = Annotated[
    list[str],
    typer.Argument(
        metavar="UNIT",
        help="Saved fits, takes, or impedance tables measured in free air. Takes of one unit are "
        "fitted together.",
    ),
]
Model = Annotated[
    str | None,
    typer.Option(
        metavar="NAME",
        help="Model to fit all takes by. Default: the one that most of them ask for.",
    ),
]
Diameter = Annotated[
    str | None,
    typer.Option(metavar="D", help="Cone from mid-surround to mid-surround, such as 118mm."),
]
Temperature = Annotated[
    str | None, typer.Option(metavar="T", help="Air of the room, such as 21C±1K: for Re at 20 C.")
]
Tolerance = Annotated[
    str | None,
    typer.Option(
        metavar="[NAME=]PCT",
        help="Tolerance of the ohms in tables as a whole. A name, such as meter=0.5%, makes it "
        "one error of all units, which spreads nothing; use the same name when judging.",
    ),
]

Item = TypeVar("Item")


@dataclass(frozen=True, eq=False)
class Unit:
    """One unit of a series.

    Attributes:
        made_at: Time of its first take, ISO 8601; empty where nobody knows.
    """

    name: str
    fit: DriverFit
    made_at: str = ""


def read(texts: Sequence[str], words: SessionWords, model: str | None) -> list[Unit]:
    """Read all units by one model, takes in the order of time where all have one.

    Args:
        words: What else was measured; holds for every take.
        model: Name; None: as most of the saved fits have it, or else most of the takes.

    Raises:
        UsageError: If a unit is there twice, or the model is none.
        UnreadableInput: If something cannot be read.
        Refused: If a take supports no fit; it is named.
    """
    from cli.words import session as sessions
    from fit.compare.sitting import of_driver

    saved, gathered = _sorted_out(texts, words.table_tolerance)
    names = [*(unit.name for unit in saved), *(one.unit for one in gathered)]
    double = [name for name, count in Counter(names).items() if count > 1]
    if double:
        raise UsageError(
            f"{', '.join(double)} is there more than once",
            remedy="Give each unit once: all its takes, or one saved fit of them.",
        )
    wanted = model or _most([unit.fit.model for unit in saved])
    if gathered or words.held is not None:
        held = sessions.how_held(words)
    sitting = session(gathered, words)
    fitted = [
        (one, fitted_by(one, sitting, wanted or "auto")) for one in _watched(gathered, "fitting")
    ]
    common = wanted or _most([fit.model for _, fit in fitted])
    other = [name for name, fit in ((o.unit, f) for o, f in fitted) if fit.model != common]
    if other and common is not None:
        show.note(f"fitted by {common!r} as most units are: {', '.join(other)}", "dim")
        fitted = [
            (one, fit if fit.model == common else fitted_by(one, sitting, common))
            for one, fit in fitted
        ]
    units = saved + [
        Unit(one.unit, of_driver(fit, held, one.unit), _made_at(one)) for one, fit in fitted
    ]
    if all(unit.made_at for unit in units):
        units.sort(key=lambda unit: unit.made_at)
    return units


def fitted_by(
    gathered: Gathered, session: Session, model: str, where: str = "--model"
) -> DriverFit:
    """The fit of one unit.

    Args:
        where: Who named the model, for messages.

    Raises:
        UsageError: If there is no such model.
        Refused: If its curves support no fit; names the unit.
    """
    from cli.sources import opened
    from fit.joint import fit_driver

    try:
        with opened.naming(gathered.unit):
            return fit_driver(gathered.curves, session, model=model)
    except ValueError as error:
        raise UsageError(str(error), where=where, remedy="Leave it out, or name one.") from error


def words(
    diameter: str | None, air_temperature: str | None, table_tolerance: str | None, held: str | None
) -> SessionWords:
    """Other measured values, as written; they hold for all units."""
    from cli.words.session import SessionWords

    return SessionWords(
        diameter=diameter, air_temperature=air_temperature, table_tolerance=table_tolerance,
        held=held,
    )  # fmt: skip


def session(gathered: Sequence[Gathered], words: SessionWords) -> Session:
    """The session of several units."""
    from cli.words import session as sessions

    boxes = any(c.condition.name == "test-box" for one in gathered for c in one.curves)
    return sessions.session(words, boxes=boxes)


def _sorted_out(
    texts: Sequence[str], table_tolerance: str | None
) -> tuple[list[Unit], list[Gathered]]:
    """Saved fits, and the takes and tables of each other unit together."""
    from cli.sources import opened, takes_and_tables
    from cli.words import table_scale
    from meas.takes import take as takes

    saved: list[Unit] = []
    of_unit: dict[str, list[str]] = {}
    tables: list[str] = []
    for text in texts:
        path = Path(text)
        if opened.is_document(path):
            name, fit = opened.fit(path)
            saved.append(Unit(name, fit))
        elif takes.is_take(path):
            of_unit.setdefault(takes.load(path).unit, []).append(text)
        else:
            tables.append(text)
    if table_tolerance is None and len(tables) > 1:
        from cli.words import assumed

        percent, said = assumed.table_scale()  # said once for all of them
        show.default_taken(f"{len(tables)} tables: {said}")
        table_tolerance = f"{percent}%"
    table_scale.refuse_without_tables(
        table_tolerance, tables=bool(tables), known="takes and fits know their resistor"
    )
    gathered = [takes_and_tables.gather(sources) for sources in of_unit.values()]
    gathered += [
        takes_and_tables.gather([table], table_tolerance=table_tolerance) for table in tables
    ]
    return saved, gathered


def _made_at(gathered: Gathered) -> str:
    from datetime import UTC, datetime

    times = [
        datetime.fromisoformat(take.taken_at).astimezone(UTC) for take in gathered.takes if take
    ]
    return min(times).isoformat() if times else ""


def _most(names: Sequence[str]) -> str | None:
    return Counter(names).most_common(1)[0][0] if names else None


def _watched(items: Sequence[Item], what: str) -> Iterable[Item]:
    """The items, with a bar on a terminal while they are worked on."""
    console = show.console(stderr=True)
    if len(items) < 2 or not console.is_terminal or console.is_dumb_terminal:
        return items
    from rich.progress import track

    return track(items, what, console=console, transient=True)


def named_fits(units: Sequence[Unit]) -> list[tuple[str, DriverFit]]:
    """Name and fit of each unit."""
    return [(unit.name, unit.fit) for unit in units]
