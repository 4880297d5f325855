"""An archive in numbers: series of like units, what is usual in them, what stands apart or drifts.

Units whose names differ only in a number at their end are one series, in each state (label) by
itself.
"""

from __future__ import annotations

import math
import re
from array import array
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any

import numpy as np

from cli.archive.states import natural
from fit.numerics import outliers, robust
from fit.numerics.slope import Slope, slope
from meas.curve import FloatArray

LOOKED_AT = ("fs", "Qts", "Re", "Qms", "Qes", "Le", "Mms", "Bl", "Cms", "Vas")
"""In the order in which a builder asks."""

_DAY = 86400.0
_CLOCKS = (0.0, 2.0**33)  # until the year 2242: pictures of dates go wrong at the ends of time


@dataclass
class Series:
    """The fits of like units, as columns; NaN where a fit lacks something.

    Attributes:
        name: What their names have in common.
        names: Name of each fit: unit, and label where there is one.
        seconds: When each was measured [s since 1970].
        values: Symbol to its values, SI units.
        own: Symbol to the standard uncertainty of each value by itself.
    """

    name: str
    names: list[str] = field(default_factory=list)
    units: set[str] = field(default_factory=set)
    seconds: array[float] = field(default_factory=lambda: array("d"))
    values: dict[str, array[float]] = field(default_factory=dict)
    own: dict[str, array[float]] = field(default_factory=dict)
    unit_of: dict[str, str] = field(default_factory=dict)
    _le_hz: set[float] = field(default_factory=set)

    def add(self, row: Mapping[str, Any]) -> None:
        """Take in one fit."""
        before = len(self.names)
        name = row["unit"] or "(no name)"
        self.names.append(f"{name} ({row['label']})" if row["label"] else name)
        self.units.add(row["unit"])
        self.seconds.append(_when(row["first"]))
        for symbol in LOOKED_AT:
            found = row["parameters"].get(symbol)
            if found is not None and symbol not in self.values:
                self.values[symbol] = array("d", [math.nan]) * before
                self.own[symbol] = array("d", [math.nan]) * before
                self.unit_of[symbol] = found[1]
            if symbol in self.values:
                self.values[symbol].append(math.nan if found is None else found[0])
                self.own[symbol].append(math.nan if found is None else found[5])
        self._le_hz |= set(row["parameters"].get("Le", ())[6:])

    def symbols(self) -> list[str]:
        """Quantities that its fits can be compared by."""
        mixed = len(self._le_hz) > 1  # inductances at different frequencies are no distribution
        return [s for s in LOOKED_AT if s in self.values and not (mixed and s == "Le")]

    def column(self, symbol: str) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Values, own uncertainties and times, shape (n,) each."""
        columns = self.values[symbol], self.own[symbol], self.seconds
        values, own, seconds = (np.frombuffer(column) for column in columns)
        return values, own, seconds


def _when(taken_at: str) -> float:
    """Seconds since 1970; NaN where not known, or where a clock was never set."""
    found = datetime.fromisoformat(taken_at).timestamp() if taken_at else math.nan
    return found if _CLOCKS[0] < found < _CLOCKS[1] else math.nan


@dataclass(frozen=True)
class Apart:
    """A fit that stands apart from its series in one quantity."""

    name: str
    symbol: str
    unit: str
    value: float
    centre: float
    times_limit: float


@dataclass(frozen=True)
class Usual:
    """One quantity over a series.

    Attributes:
        centre: Robust mean.
        spread: Robust standard deviation over the centre; None for fewer than three.
        drift: Slope of the logarithm per day; None where times are too few.
    """

    symbol: str
    unit: str
    n: int
    centre: float
    spread: float | None
    low: float
    high: float
    apart: tuple[Apart, ...]
    drift: Slope | None


def series_of(unit: str) -> str:
    """Name that units of a series have in common, without a number at its end."""
    return re.sub(r"[\s._#/-]*[0-9]+\s*$", "", unit) or unit


def collect(rows: Iterable[Mapping[str, Any]]) -> list[Series]:
    """Fits as series, the largest first."""
    found: dict[str, Series] = {}
    for row in rows:
        if "parameters" in row:
            # States differ by what was done to the driver, which is no spread of the series.
            name = ", ".join(filter(None, (series_of(row["unit"]), row["label"])))
            found.setdefault(name, Series(name)).add(row)
    return sorted(found.values(), key=lambda one: (-len(one.names), natural(one.name)))


def usual(series: Series) -> list[Usual]:
    """Find what is usual in a series, quantity by quantity."""
    return [_usual(series, symbol) for symbol in series.symbols()]


def _usual(series: Series, symbol: str) -> Usual:
    values, own, seconds = series.column(symbol)
    known = np.flatnonzero(np.isfinite(values))
    values, own, seconds = values[known], own[known], seconds[known]
    size = np.log(values)
    centre, spread = float(np.median(size)), None
    if values.size >= 3:
        centre, spread = (float(part) for part in robust.centre_and_spread(size))
    far = outliers.deviations(size, own / values)
    timed = np.isfinite(seconds)
    unit = series.unit_of[symbol]
    return Usual(
        symbol,
        unit,
        int(values.size),
        math.exp(centre),
        spread,
        float(values.min()),
        float(values.max()),
        tuple(
            Apart(series.names[known[k]], symbol, unit, float(values[k]), math.exp(centre),
                  float(far[k]))
            for k in np.flatnonzero(np.abs(far) > 1)
        ),
        slope(seconds[timed] / _DAY, size[timed]),
    )  # fmt: skip
