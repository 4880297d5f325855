"""Faults of the build that the harmonics kept with takes show."""

from __future__ import annotations

import csv
from collections.abc import Sequence
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from pathlib import Path

    from fit.diagnosis.harmonic_causes import Harmonics
    from fit.results.result import DriverFit
    from meas.errors import Finding
    from meas.takes.take import Take

_LARGEST = 1_000_000  # bytes; a table of a thousand points has a tenth of it


def uneven(takes: Sequence[Take | None], fit: DriverFit) -> tuple[Finding, ...]:
    """Even harmonics of the first free-air take that kept any; nothing where none did."""
    from fit.diagnosis import harmonic_causes
    from meas.takes.take import DISTORTION

    for take in takes:
        if take is None or take.path is None or take.condition.name != "free-air":
            continue
        file = take.path / DISTORTION
        if file.is_file() and (kept := read(file)) is not None:
            return harmonic_causes.uneven(kept, fit.parameters["fs"].value)
    return ()


def read(file: Path) -> Harmonics | None:
    """Even and odd harmonics out of a take's table; None where it has none or is damaged.

    The table is beside the point of a fit: damage to it is no reason to refuse one.
    """
    import numpy as np

    from fit.diagnosis.harmonic_causes import Harmonics
    from meas.errors import UnreadableInput
    from meas.files.reading import read_bytes

    try:
        lines = read_bytes(file, "table", _LARGEST, "").decode().splitlines()
        rows = list(csv.reader(line for line in lines if line and not line.startswith("#")))
        columns = {
            name: np.array([float(row[k]) if row[k] else np.nan for row in rows[1:]])
            for k, name in enumerate(rows[0])
        }
    except (UnreadableInput, ValueError, IndexError, csv.Error):
        return None
    for even, odd in (("harmonic_2", "harmonic_3"), ("even", "odd")):
        names = ("frequency_hz", f"{even}_percent", f"{odd}_percent", "noise_percent")
        if all(name in columns for name in names):
            f, second, third, noise = (columns[name] for name in names)
            return Harmonics(f, second / 100, third / 100, noise / 100)
    return None
