"""``freeair export``: curves and parameters in open formats."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from cli import show

if TYPE_CHECKING:
    from fit.result import DriverFit


def export(
    source: Annotated[
        str, typer.Argument(metavar="TAKE|FIT", help="A take's folder, or a fit saved as JSON.")
    ],
    csv: Annotated[
        Path | None,
        typer.Option(
            "--csv",
            metavar="FILE",
            help="A table for a spreadsheet: a take's impedance, or a fit's parameters.",
        ),
    ] = None,
) -> None:
    """Write a take or a fit as a table.

    \b
    freeair export takes/Lantern_free-air_20260214-101500 --csv free.csv
    freeair export lantern.json --csv lantern-parameters.csv
    """
    from meas.errors import UsageError
    from meas.whole_file import refuse_existing, write_text

    if csv is None:
        raise UsageError(
            "no format is asked for",
            where="freeair export",
            remedy="Say which one and where to write it: --csv FILE.",
        )
    refuse_existing(csv)
    write_text(csv, as_table(source))
    show.line(str(csv))


def as_table(source: str) -> str:
    """A take's impedance table, or a table of a fit's parameters.

    Raises:
        UnreadableInput: If the source is neither.
        Refused: If the take was refused: there is no curve.
    """
    from cli import states
    from meas import take as takes

    path = Path(source)
    if not states.is_json(path):
        from meas import table
        from meas.errors import Refused

        take = takes.load(path)
        if take.curve is None or take.refused:
            raise Refused(
                take.reasons,
                where=source,
                remedy="A refused take has no curve; its capture.wav is kept in the folder.",
            )
        comments = (f"unit: {take.unit}", f"condition: {take.condition.name}", take.software)
        return table.as_text(take.curve, [_one_line(comment) for comment in comments])
    unit, fitted = states.read_fit(path)
    return _parameter_table(unit, fitted)


def _parameter_table(unit: str, fitted: DriverFit) -> str:
    rows = [
        f"# unit: {_one_line(unit)}",
        f"# coil model: {fitted.model}",
        "parameter,value,unit,standard_uncertainty,lower_95,upper_95",
    ]
    for symbol, estimate in fitted.parameters.items():
        low, high = estimate.interval_95
        numbers = (estimate.standard_uncertainty, low, high)
        rows.append(
            f"{symbol},{estimate.value!r},{estimate.unit},"
            + ",".join(map(repr, map(float, numbers)))
        )
    return "\n".join(rows) + "\n"


def _one_line(text: str) -> str:
    return " ".join(text.split())
