"""The curve in the terminal, read back from the lines that are printed."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from cli.pictures.terminal_curve import ASCII, BRAILLE, Ink, curve_lines

INKS = pytest.mark.parametrize("ink", [BRAILLE, ASCII], ids=["braille", "ascii"])


def driver(fs_hz: float, coil_henry: float = 0.4e-3, points: int = 400) -> tuple[np.ndarray, ...]:
    """Coil, resonance of Qms 5 and a peak of 40 ohm above 6 ohm (Thiele 1971)."""
    frequency = np.geomspace(10.0, 20e3, points)
    x = frequency / fs_hz - fs_hz / frequency
    z = 6 + 40 / (1 + 5j * x) + 2j * np.pi * frequency * coil_henry
    return frequency, np.abs(z)


def cell(lines: list[str], column: int, band: tuple[float, float]) -> tuple[float, float]:
    """Frequencies at the edges of a column: the axis spans the band, evenly in the logarithm."""
    first, last = 7, len(lines[-2])
    low, high = ((column + side - first) / (last - first) for side in (0, 1))
    ratio = band[1] / band[0]
    return band[0] * ratio**low, band[0] * ratio**high


@INKS
@pytest.mark.parametrize("columns", [40, 60, 79, 99])
@pytest.mark.parametrize("fs_hz", [13.0, 48.0, 237.0, 1450.0, 15e3])
def test_mark_stands_at_the_peak_within_one_cell(ink: Ink, columns: int, fs_hz: float) -> None:
    frequency, magnitude = driver(fs_hz, coil_henry=0.05e-3)
    peak = int(np.argmax(magnitude))
    lines = curve_lines(frequency, magnitude, marked=[peak], columns=columns, ink=ink)
    low, high = cell(lines, lines[0].index(ink.mark[0]), (10.0, 20e3))
    assert low <= frequency[peak] <= high
    # The curve's highest dots stand right under the mark.
    assert lines[1][lines[0].index(ink.mark[0])] not in (" ", ink.mark[1])
    assert f"{magnitude[peak]:.1f} {ink.ohm}" in lines[0]


@INKS
@pytest.mark.parametrize("columns", [40, 79])
def test_labels_stand_at_their_frequencies(ink: Ink, columns: int) -> None:
    lines = curve_lines(*driver(48.0), columns=columns, ink=ink)
    labels = {"20": 20.0, "50": 50.0, "100": 100.0, "1k": 1e3, "5k": 5e3}
    seen = {text: value for text, value in labels.items() if f" {text} " in lines[-1]}
    assert {"100", "1k"} <= seen.keys()  # others give way where there is no room
    for text, value in seen.items():
        column = lines[-1].index(f" {text} ") + 1 + (len(text) - 1) // 2
        low, high = cell(lines, column, (10.0, 20e3))
        assert low <= value * (1 + 1e-9) and value <= high * (1 + 1e-9)
        assert lines[-2][column] == ink.axis[4]


@INKS
@settings(max_examples=60, deadline=None)
@given(
    columns=st.integers(24, 120),
    rows=st.integers(3, 30),
    spread=st.floats(1e-3, 5.0),
    seed=st.integers(0, 2**31),
)
def test_no_line_is_wider_than_the_terminal(
    ink: Ink, columns: int, rows: int, spread: float, seed: int
) -> None:
    random = np.random.default_rng(seed)
    frequency = np.cumsum(random.uniform(0.1, 900, random.integers(2, 80)))
    magnitude = 10 ** (spread * random.standard_normal(frequency.size))
    marked = [int(np.argmax(magnitude)), int(np.argmin(magnitude))]
    lines = curve_lines(
        frequency, magnitude, marked=dict.fromkeys(marked), columns=columns, rows=rows, ink=ink
    )
    assert max(map(len, lines)) <= columns
    assert len(lines) == rows + 2 + len(dict.fromkeys(marked))
    if ink is ASCII:
        assert "".join(lines).isascii()


@INKS
def test_every_column_holds_the_curve(ink: Ink) -> None:
    """A peak narrower than a cell is still drawn from foot to top, without a gap."""
    frequency = np.geomspace(10.0, 20e3, 4000)
    magnitude = np.full(4000, 6.0)
    magnitude[2000] = 60.0
    lines = curve_lines(frequency, magnitude, columns=79, rows=10, ink=ink)
    field = [line[7:].ljust(72) for line in lines[1:11]]
    assert all(any(row[column] != " " for row in field) for column in range(72))
    tall = [column for column in range(72) if all(row[column] != " " for row in field[1:-1])]
    assert len(tall) in (1, 2)


def test_height_is_logarithmic_and_labelled() -> None:
    """A capacitor is a straight line on logarithmic axes, and its labels tell its size."""
    frequency = np.geomspace(20.0, 20e3, 200)
    magnitude = 1 / (2 * np.pi * frequency * 4.7e-6)
    lines = curve_lines(frequency, magnitude, columns=79, rows=12, ink=ASCII)
    labels = {float(line[:5]): row for row, line in enumerate(lines[1:13]) if line[:5].strip()}
    assert {10.0, 100.0, 1000.0} <= labels.keys()
    for ohm, row in labels.items():
        across = [column for column, sign in enumerate(lines[1 + row][7:]) if sign == "*"]
        expected = 1 / (2 * np.pi * ohm * 4.7e-6)
        wanted = 72 * math.log(expected / 20.0) / math.log(1000.0)
        cell = 72 / 12  # one row is as many columns of this slope
        assert min(across) - cell <= wanted <= max(across) + cell


def test_noise_of_a_flat_curve_looks_small() -> None:
    frequency = np.geomspace(10.0, 20e3, 100)
    flat = 8.2 * (1 + 0.001 * np.cos(np.arange(100)))
    rows = [line for line in curve_lines(frequency, flat, ink=ASCII) if "*" in line]
    assert len(rows) <= 2


@pytest.mark.parametrize(
    ("frequency", "magnitude", "columns"),
    [([10.0], [5.0], 79), ([10.0, 20.0], [5.0, 0.0], 79), ([10.0, 20.0], [5.0, 6.0], 20)],
)
def test_what_cannot_be_drawn(frequency: list[float], magnitude: list[float], columns: int) -> None:
    with pytest.raises(ValueError, match="needs"):
        curve_lines(np.array(frequency), np.array(magnitude), columns=columns)
