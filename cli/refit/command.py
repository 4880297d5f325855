"""``freeair refit``: every take and table below a folder, fitted with today's models."""

from __future__ import annotations

import os
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from cli.terminal import show
from cli.words.options import (
    AirPressure,
    AirTemperature,
    HowHeld,
    Model,
    RelativeHumidity,
    flag,
    option,
)
from fit.numerics import one_thread
from meas.errors import UsageError

if TYPE_CHECKING:
    from contextlib import AbstractContextManager

    from cli.refit.done import Done
    from cli.refit.plan import Archive
    from cli.refit.workers import Engine

FAULTS = 1
_MOST_LISTED = 12  # so many are listed in the terminal; all stand in the table


def refit(
    archive: Annotated[
        Path, typer.Argument(metavar="ARCHIVE", help="Folder with takes and tables, at any depth.")
    ],
    diameter: list[str] | None = option(
        "[UNITS=]D",
        "Cone from mid-surround to mid-surround, such as 118mm; or of some units, such as "
        "'lantern-*=118mm'; a bare one is for the rest.",
    ),
    area: list[str] | None = option(
        "[UNITS=]A", "Effective cone area instead, such as 113cm2; as --diameter."
    ),
    air_temperature: AirTemperature = None,
    air_pressure: AirPressure = None,
    relative_humidity: RelativeHumidity = None,
    held: HowHeld = None,
    table_tolerance: str | None = option(
        "[NAME=]PCT",
        "Tolerance of the ohms in tables as a whole, such as 0.5%. Default 1% for each "
        "table; a name makes it the same error in all.",
    ),
    model: Model = "auto",
    from_captures: bool = flag(
        "--from-captures", "Analyse the recordings anew too, those of refused takes among them."
    ),
    out: Path | None = option("DIR", "Folder for results; default ARCHIVE/refitted."),
    workers: int | None = option("N", "Fits at once; default one a core.", min=1),
    scheduler: str | None = option(
        "ADDRESS",
        "Use the workers of this dask scheduler, on machines that see ARCHIVE under the "
        "same path. It runs whatever it is sent: only on a network that you trust.",
    ),
    parquet: bool = flag("--parquet", "Write the table as Parquet besides CSV."),
    as_json: bool = flag(
        "--json", "One JSON object a line for each fit or refusal, then one that sums up."
    ),
) -> None:
    """Fit every take and table of an archive again.

    Takes of one unit are one fit. Where each label has a free-air take of its own, or more than six
    hours lie between, each is a state and a fit of its own. A table is a free-air curve of the unit
    that it is named after, unless its comments say more ('# unit: lantern-7', '# label: new',
    '# added-mass: 7.5g', '# test-box: 6.8L', '# taken-at: 2026-03-01T10:00:00+01:00').

    Every fit is kept at once in the folder of results. Interrupt it, and the same command goes on
    from there; next year, it fits what has changed since. Status 0: all was fitted; 1: something
    could not be read or fitted, and is listed with its reason; the rest is done all the same.

    \b
    freeair refit takes --diameter 118mm
    freeair refit archive --diameter 'lantern-*=118mm' --diameter 'spark-*=25mm' --json
    """
    # Before numpy is loaded: workers are as many as cores, and threads round sums differently.
    os.environ.update(dict.fromkeys(one_thread.VARIABLES, "1"))
    from cli.archive import tables
    from cli.refit import cluster, plan
    from cli.refit import workers as refit_workers
    from cli.words import table_scale
    from cli.words.session import SessionWords, how_held

    if parquet:
        tables.require_parquet()
    words = SessionWords(
        air_temperature=air_temperature,
        air_pressure=air_pressure,
        relative_humidity=relative_humidity,
        table_tolerance=table_tolerance,
        held=held,
    )
    words = replace(words, held=how_held(words))
    scale = table_scale.read(table_tolerance)  # before a long look at files
    sizes = tuple(diameter or ()), tuple(area or ())
    options = plan.RefitOptions(*sizes, words, model, from_captures)
    results = out or _beside(archive)
    found = plan.read(archive, options)
    if any(not source.take for state in found.states for source in state.sources):
        scale.tell(["tables"])
    beside = (archive, results)  # nothing is imported from there
    engine_for: AbstractContextManager[Engine] = (
        refit_workers.local(workers, beside) if scheduler is None else cluster.cluster(scheduler)
    )
    with engine_for as engine:
        done = _fit(found, results, engine, parquet=parquet, as_json=as_json)
    if done.faults:
        raise typer.Exit(FAULTS)


def _beside(archive: Path) -> Path:
    """The folder of results in the archive.

    Raises:
        UsageError: If a link of that name would lead them elsewhere.
    """
    results = archive / "refitted"
    if results.is_symlink():
        raise UsageError(
            "is a link, and results belong into the archive",
            where=str(results),
            remedy="Say where they should go: --out DIR.",
        )
    return results


def _fit(found: Archive, out: Path, engine: Engine, *, parquet: bool, as_json: bool) -> Done:
    """Fit what is not fitted yet, write everything, and say it."""
    from cli.archive.ledger import Ledger
    from cli.refit import run as refit_run

    ledger = Ledger(out)
    try:
        run = refit_run.Run(found, ledger, engine, parquet=parquet, as_json=as_json)
        try:
            done = run.all()
        except KeyboardInterrupt:
            show.note(f"{run.kept} of {len(found.states)} fits are kept; the same command goes on.")
            raise
    finally:
        ledger.close()
    if as_json:
        show.line(done.as_json())
    else:
        _tell(done)
    return done


def _tell(done: Done) -> None:
    for one in done.left_out[:_MOST_LISTED]:
        show.note(f"{one.source}: {one.text}")
    if len(done.left_out) > _MOST_LISTED:
        show.note(f"... and {len(done.left_out) - _MOST_LISTED} more in {done.files['left_out']}")
    show.line(done.sentence())
    for name, path in done.files.items():
        show.line(f"{name.capitalize().replace('_', ' ')}: {path}")
