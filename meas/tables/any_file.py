"""Impedance curves in files of any open format, told by the extension."""

from __future__ import annotations

import re
from pathlib import Path

from meas.curve import Curve
from meas.errors import UnreadableInput
from meas.tables import csv_table, touchstone
from meas.tables.thinned import thinned

SUFFIXES = (".csv", ".tsv", ".s1p")
"""How the names of impedance tables end."""


def read(path: str | Path) -> Curve:
    """Read a Touchstone one-port (.s1p) or an impedance table (CSV, anything else).

    Neighbouring rows of very long ones are merged (`meas.tables.thinned`).

    Raises:
        UnreadableInput: If it is not what its extension says, or has more than one port.
    """
    path = Path(path)
    suffix = path.suffix.lower()
    if suffix == ".s1p":
        return thinned(touchstone.read(path))
    if re.fullmatch(r"\.s[0-9]+p", suffix):
        raise UnreadableInput(
            f"has {suffix[2:-1]} ports; an impedance has one",
            where=str(path),
            remedy="Export the one port that you mean as .s1p.",
        )
    return thinned(csv_table.read(path))
