"""Drivers as loads of a crossover, from whatever holds their impedance."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from cli.sources import opened
from meas.errors import UsageError
from meas.files.outside_text import one_line

if TYPE_CHECKING:
    from fit.crossover.load import Load
    from fit.crossover.network import Branch
    from fit.results.result import DriverFit

_NEEDED = ("Re", "fs", "Qms", "Res")


def read(text: str) -> Load:
    """A load out of a take, a table, a Touchstone file or a saved fit.

    Raises:
        UnreadableInput: If it cannot be read.
        UsageError: If it has no phase, or is a take of a part.
        Refused: If a take was refused, or a table is in evidently wrong units.
    """
    from fit.crossover import load
    from meas.curve import ImpedanceCurve

    path = Path(text)
    if opened.is_document(path):
        unit, fitted = impedance_fit(path)
        return load.from_fit(unit, fitted)
    source = opened.curve(text, ("driver", "system"))
    if not isinstance(source.curve, ImpedanceCurve):
        raise UsageError(
            "has no phase, and a network cannot be computed into a magnitude",
            where=text,
            remedy="Fit it first (freeair fit TABLE --save FILE.json) and give the fit.",
        )
    return load.from_curve(source.name, source.curve)


def impedance_fit(path: Path) -> tuple[str, DriverFit]:
    """Name and fit out of a saved fit of which an impedance can be made.

    Raises:
        UnreadableInput: If it is no fit.
        UsageError: If a parameter is missing that older fits did not have.
    """
    unit, fitted = opened.fit(path)
    missing = [symbol for symbol in _NEEDED if symbol not in fitted.parameters]
    if missing:
        raise UsageError(
            f"has no {', '.join(missing)}, of which the impedance is made",
            where=str(path),
            remedy="Fit the takes again with this version.",
        )
    return unit, fitted


def subcircuit(path: Path, name: str | None = None) -> str:
    """The subcircuit of a saved fit.

    Args:
        name: Name of the subcircuit; None: the unit's.

    Raises:
        UnreadableInput: If it is no fit.
        Refused: ``no-circuit``.
    """
    from fit.crossover import spice

    unit, fitted = impedance_fit(path)
    curve = fitted.curves[0]
    return spice.subcircuit(
        name or unit,
        fitted.model_values,
        fitted.model,
        float(curve.frequency_hz[0]),
        float(curve.frequency_hz[-1]),
        (f"{one_line(unit)} in free air, model {fitted.model}",),
    )


def netlist(branches: Sequence[Branch], files: Mapping[str, str | None]) -> str:
    """The network as SPICE, every driver as the subcircuit of its fit.

    Raises:
        UsageError: If a load is no fit.
    """
    from fit.crossover.netlist import netlist as written

    circuits = {}
    for branch in branches:
        path = Path(files[branch.name] or "")
        if not opened.is_document(path):
            raise UsageError(
                f"the {branch.name} is a curve, and a circuit needs a fit",
                where="--spice",
                remedy=f"Give --{branch.name} FIT.json, made with freeair fit ... --save.",
            )
        circuits[branch.name] = subcircuit(path, f"{branch.name}_driver")
    return written(branches, circuits)
