"""An impedance curve as lines of text: logarithmic axes, resonances marked, units said.

A pure function from numbers to lines. Braille characters hold two by four dots a cell; where an
encoding has none, stars stand in cells of one.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from fit.results.numbers import kilo, significant

if TYPE_CHECKING:
    from meas.curve import FloatArray

_MARGIN = 6
"""Columns left of the axis: a label of five and a blank."""
LEAST_COLUMNS = 24
_STEPS = ((1.0, 2.0, 5.0), (1.0, 1.5, 2.0, 3.0, 5.0, 7.0), (1.0, 1.2, 1.5, 2.0, 2.5, 3.0, 4.0, 5.0,
          6.0, 7.0, 8.0, 9.0))  # fmt: skip
_LEAST_SPAN = 2.0
"""Highest over lowest |Z| on the axis: noise of a flat curve shall look as small as it is."""


@dataclass(frozen=True)
class Ink:
    """The characters to draw with.

    Attributes:
        dots: Dots in a cell, across and down.
        axis: Upright line, tick on it, corner, level line, tick on that.
        mark: Above a resonance, and from there down to the curve.
        title: Above the upright axis, no wider than the margin and the axis.
    """

    dots: tuple[int, int]
    axis: str
    mark: str
    ohm: str
    title: str


BRAILLE = Ink((2, 4), "│┤└─┴", "▾┊", "Ω", "|Z|, Ω")
ASCII = Ink((1, 1), "|++-+", "v:", "ohm", "|Z| ohm")

# Bit of the dot in column c and row r (from the top) of a braille cell: Unicode 15.0, 21.1.
_BITS = ((0x01, 0x02, 0x04, 0x40), (0x08, 0x10, 0x20, 0x80))


def curve_lines(
    frequency_hz: FloatArray,
    magnitude_ohm: FloatArray,
    *,
    marked: Sequence[int] | Mapping[int, str] = (),
    columns: int = 79,
    rows: int = 12,
    ink: Ink = BRAILLE,
) -> list[str]:
    """Draw |Z| over frequency.

    Args:
        frequency_hz: Increasing, above zero [Hz], shape (n,), n > 1.
        magnitude_ohm: Above zero [ohm], shape (n,).
        marked: Indices of points to be marked with their value and frequency, or with own words.
        columns: No line is wider.
        rows: Height of the field for the curve; marks, axis and labels come on top.

    Raises:
        ValueError: If there is no room for a picture, or the curve is no curve.
    """
    if columns < LEAST_COLUMNS or rows < 3:
        raise ValueError(f"a curve needs at least {LEAST_COLUMNS} columns and 3 rows")
    if frequency_hz.size < 2 or frequency_hz[0] <= 0 or not np.all(magnitude_ohm > 0):
        raise ValueError("a curve needs two points and positive values")
    across = _Axis(float(frequency_hz[0]), float(frequency_hz[-1]), columns - _MARGIN - 1)
    upward = _Axis(*_span(magnitude_ohm), rows)
    field = _field(frequency_hz, magnitude_ohm, across, upward, ink)
    spots = sorted(marked, key=lambda index: float(frequency_hz[index]))
    own = marked if isinstance(marked, Mapping) else {}
    heads = [
        _head(across.cell(float(frequency_hz[i])),
              own.get(i) or _said(frequency_hz[i], magnitude_ohm[i], ink), across.cells, ink)
        for i in spots
    ]  # fmt: skip
    _drop_lines(heads, field, [across.cell(float(frequency_hz[index])) for index in spots], ink)
    lines = [f"{ink.title:<{_MARGIN + 1}}", *(" " * (_MARGIN + 1) for _ in heads[1:])]
    lines = [left + "".join(head) for left, head in zip(lines, heads or [[]], strict=True)]
    ticks = _upward_labels(upward)
    for row, cells in enumerate(field):
        label = ticks.get(row, "")
        edge = ink.axis[1] if label else ink.axis[0]
        lines.append(f"{label:>{_MARGIN - 1}} {edge}{''.join(cells)}")
    lines += _across_lines(across, ink)
    return [line.rstrip() for line in lines]


@dataclass(frozen=True)
class _Axis:
    """A logarithmic axis over some cells."""

    low: float
    high: float
    cells: int

    def place(self, value: FloatArray | float) -> FloatArray:
        """Position in cells, 0 at the low end."""
        share = np.log(np.asarray(value) / self.low) / math.log(self.high / self.low)
        return np.asarray(share * self.cells)

    def cell(self, value: float) -> int:
        return min(self.cells - 1, max(0, math.floor(float(self.place(value)))))

    def ticks(self, steps: Sequence[float]) -> list[float]:
        powers = range(math.floor(math.log10(self.low)), math.ceil(math.log10(self.high)) + 1)
        marks = (step * 10.0**power for power in powers for step in steps)
        # A curve that begins at 10.03 Hz has its 10 Hz in the first cell.
        return [mark for mark in marks if 0.98 * self.low <= mark <= 1.02 * self.high]


def _span(magnitude_ohm: FloatArray) -> tuple[float, float]:
    low, high = float(magnitude_ohm.min()) / 1.05, float(magnitude_ohm.max()) * 1.05
    widen = max(1.0, math.sqrt(_LEAST_SPAN / (high / low)))
    return low / widen, high * widen


def _field(
    frequency_hz: FloatArray, magnitude_ohm: FloatArray, across: _Axis, upward: _Axis, ink: Ink
) -> list[list[str]]:
    """Fill cells from the top; each column of dots reaches from its lowest to its highest value."""
    wide, high = ink.dots[0] * across.cells, ink.dots[1] * upward.cells
    x = across.place(frequency_hz) * ink.dots[0]
    y = upward.place(magnitude_ohm) * ink.dots[1]
    edges = np.interp(np.arange(wide + 1), x, y)
    dots = np.zeros((high, wide), dtype=bool)
    column = np.clip(np.floor(x).astype(int), 0, wide - 1)
    for index in range(wide):
        inside = y[column == index]
        low = min(edges[index], edges[index + 1], inside.min(initial=math.inf))
        top = max(edges[index], edges[index + 1], inside.max(initial=-math.inf))
        first, last = (min(high - 1, max(0, math.floor(end))) for end in (low, top))
        dots[high - 1 - last : high - first, index] = True
    if ink.dots == (1, 1):
        return [["*" if dot else " " for dot in row] for row in dots]
    return [
        [_braille(dots[4 * row : 4 * row + 4, 2 * cell : 2 * cell + 2])
         for cell in range(across.cells)]
        for row in range(upward.cells)
    ]  # fmt: skip


def _braille(dots: np.ndarray) -> str:
    bits = sum(_BITS[c][r] for c in range(2) for r in range(4) if dots[r, c])
    return chr(0x2800 + bits) if bits else " "


def _said(frequency_hz: float, magnitude_ohm: float, ink: Ink) -> str:
    return f"{significant(float(magnitude_ohm))} {ink.ohm} at {significant(float(frequency_hz))} Hz"


def _head(column: int, text: str, cells: int, ink: Ink) -> list[str]:
    """Write the row above the curve with one mark and what it says, on the side that has room."""
    row = [" "] * cells
    row[column] = ink.mark[0]
    for said in (text, text.partition(",")[0]):  # all of it, else its beginning
        start = column + 2 if column + 2 + len(said) <= cells else column - 1 - len(said)
        if start >= 0:
            row[start : start + len(said)] = said
            break
    return row


def _drop_lines(
    heads: list[list[str]], field: list[list[str]], columns: Sequence[int], ink: Ink
) -> None:
    """Draw lines from each mark down to the curve."""
    for index, column in enumerate(columns):
        for row in (*heads[index + 1 :], *field):
            if row[column] != " ":
                break
            row[column] = ink.mark[1]


def _upward_labels(upward: _Axis) -> dict[int, str]:
    """Label rows counted from the top: as many round values as have a row of their own."""
    found: dict[int, str] = {}
    for steps in _STEPS:
        rows = [(upward.cells - 1 - upward.cell(v), v) for v in upward.ticks(steps)]
        if found and (len({row for row, _ in rows}) < len(rows) or 2 * len(rows) > upward.cells):
            break
        found = {row: _short(value) for row, value in rows}
        if len(found) >= 4:
            break
    return found


def _short(value: float) -> str:
    """Write a value in at most five characters, or not at all."""
    for scale, sign in ((1.0, ""), (1e3, "k"), (1e6, "M"), (1e-3, "m")):
        text = f"{value / scale:g}{sign}"
        if len(text) < _MARGIN:
            return text
    return ""


def _across_lines(across: _Axis, ink: Ink) -> list[str]:
    line = [ink.axis[3]] * across.cells
    labels = [" "] * across.cells
    unit = " Hz"
    labels[-len(unit) :] = unit
    decades_first = sorted(
        across.ticks(_STEPS[0] if across.high / across.low > 8 else _STEPS[1]),
        key=lambda value: f"{value:e}"[0] != "1",
    )
    for value in decades_first:
        column = across.cell(value)
        text = kilo(value)
        start = max(0, min(column - (len(text) - 1) // 2, across.cells - len(text)))
        room = labels[max(0, start - 1) : start + len(text) + 1]
        line[column] = ink.axis[4]
        if "".join(room).strip() == "":
            labels[start : start + len(text)] = text
    left = " " * _MARGIN
    return [left + ink.axis[2] + "".join(line), left + " " + "".join(labels)]
