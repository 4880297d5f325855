"""``freeair export``: curves and parameters in open formats."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Literal

import typer

from cli.terminal import show
from cli.words.options import option
from meas.errors import UsageError
from meas.files.outside_text import one_line

if TYPE_CHECKING:
    from cli.sources.opened import OpenedCurve
    from fit.results.result import DriverFit
    from meas.curve import Curve, ImpedanceCurve


def export(
    source: Annotated[
        str,
        typer.Argument(
            metavar="TAKE|FIT", help="A take's folder, a table or .s1p, or a fit saved as JSON."
        ),
    ],
    csv: Path | None = option(
        "FILE", "A table for a spreadsheet: a take's impedance, or a fit's parameters.", "--csv"
    ),
    columns: Path | None = option(
        "FILE", "Bare columns of a curve for other programs: Hz, ohm, degrees.", "--columns"
    ),
    touchstone: Path | None = option(
        "FILE.s1p", "A one-port of Z: a take's impedance, or the fitted model's."
    ),
    touchstone_version: int = option("1|2", "Version of the Touchstone format.", default=1),
    spice: Path | None = option("FILE", "A fit's electrical equivalent as a subcircuit."),
) -> None:
    """Write a take or a fit in open formats: CSV, Touchstone, SPICE.

    \b
    freeair export takes/Lantern_free-air_20260214-101500 --csv free.csv
    freeair export lantern.json --touchstone lantern.s1p --spice lantern.cir
    """
    from meas.files.writing import refuse_existing, write_text

    wanted = [path for path in (csv, columns, touchstone, spice) if path is not None]
    if not wanted:
        raise UsageError(
            "no format is asked for",
            where="freeair export",
            remedy="Say which one and where to write it: --csv FILE, --columns FILE, "
            "--touchstone FILE.s1p or --spice FILE.",
        )
    if touchstone_version not in (1, 2):
        raise UsageError(
            f"there is no version {touchstone_version} here",
            where="--touchstone-version",
            remedy="1 or 2.",
        )
    if len({path.resolve() for path in wanted}) < len(wanted):
        raise UsageError(
            "two formats cannot go into one file",
            where="freeair export",
            remedy="Give each its own name.",
        )
    _check_suffix(touchstone)
    for path in wanted:
        refuse_existing(path)
    made: list[tuple[Path, str]] = []  # all of them first: none is written if one cannot be made
    if csv is not None:
        made.append((csv, as_table(source)))
    if columns is not None:
        made.append((columns, as_columns(source)))
    if touchstone is not None:
        version: Literal[1, 2] = 2 if touchstone_version == 2 else 1
        made.append((touchstone, as_touchstone(source, version)))
    if spice is not None:
        made.append((spice, as_subcircuit(source)))
    for path, text in made:
        write_text(path, text)
        show.line(str(path))


def _check_suffix(touchstone: Path | None) -> None:
    if touchstone is not None and touchstone.suffix.lower() != ".s1p":
        raise UsageError(
            "a Touchstone file of one port is named .s1p; other programs go by that",
            where=f"--touchstone {touchstone}",
            remedy=f"Write --touchstone {touchstone.with_suffix('.s1p')}",
        )


def as_table(source: str) -> str:
    """An impedance table, or a table of a fit's parameters.

    Raises:
        UnreadableInput: If the source is none of both.
        Refused: If the take was refused: there is no curve.
    """
    from cli.sources import opened

    path = Path(source)
    if opened.is_document(path):
        unit, fitted = opened.fit(path)
        return _parameter_table(unit, fitted)
    from meas.tables import csv_table

    read = opened.curve(source)
    return csv_table.as_text(read.curve, _comments(read), errors=True)


def as_columns(source: str) -> str:
    """A measured impedance, or the model of a fit in free air, as bare columns.

    Raises:
        UnreadableInput: If the source has neither.
        Refused: If the take was refused.
    """
    from meas.tables import csv_table

    return csv_table.as_bare_columns(_curve(source)[0])


def as_touchstone(source: str, version: Literal[1, 2]) -> str:
    """Write the same curve as a one-port.

    Raises:
        UnreadableInput: If the source has neither.
        UsageError: If the phase is not known.
        Refused: If the take was refused.
    """
    from meas.curve import ImpedanceCurve
    from meas.tables import touchstone

    curve, comments = _curve(source)
    if not isinstance(curve, ImpedanceCurve):
        raise UsageError(
            "has no phase, and a Touchstone file needs one",
            where=source,
            remedy="Fit it (freeair fit TABLE --save FILE.json) and export the fit.",
        )
    return touchstone.as_text(curve, version, comments)


def _curve(source: str) -> tuple[Curve, tuple[str, ...]]:
    """Measured curve, or the model of a fit in free air, and comments that say which."""
    from cli.sources import loads, opened
    from meas.tables import csv_table

    path = Path(source)
    if opened.is_document(path):
        unit, fitted = loads.impedance_fit(path)
        said = (f"unit: {one_line(unit)}", f"{csv_table.COMPUTED}, model {fitted.model}")
        return _model_curve(fitted), said
    read = opened.curve(source)
    return read.curve, _comments(read)


def as_subcircuit(source: str) -> str:
    """The electrical equivalent of a fitted driver.

    Raises:
        UsageError: If the source is no fit.
        Refused: ``no-circuit``.
    """
    from cli.sources import loads, opened

    path = Path(source)
    if not opened.is_document(path):
        raise UsageError(
            "is a curve, and a circuit needs a fit",
            where=source,
            remedy="Fit it (freeair fit TAKE --save FILE.json) and export the fit.",
        )
    return loads.subcircuit(path)


def _comments(read: OpenedCurve) -> tuple[str, ...]:
    if read.take is None:
        return (f"from: {one_line(Path(read.text).name)}",)
    take = read.take
    words = (f"unit: {take.unit}", f"condition: {take.condition.name}", take.software)
    return tuple(one_line(word) for word in words)


def _model_curve(fitted: DriverFit) -> ImpedanceCurve:
    """The driver itself; what the bench added to its curves is left out."""
    from fit.crossover.load import fitted_impedance
    from meas.curve import ImpedanceCurve

    curve = fitted.free_air[0]
    ohm = fitted_impedance(curve.frequency_hz, fitted.model_values, fitted.model)
    return ImpedanceCurve(curve.frequency_hz, ohm)


def _parameter_table(unit: str, fitted: DriverFit) -> str:
    from meas.tables.csv_table import comment_line

    rows = [
        comment_line(f"unit: {unit}"),
        comment_line(f"model: {fitted.model}"),
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
