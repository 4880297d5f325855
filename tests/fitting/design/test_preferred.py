"""Preferred values against an independent package, combinations against hand results."""

import eseries
import pytest

from fit.crossover.combine import nearest_combinations
from fit.design.preferred import SERIES, decade, nearest


@pytest.mark.parametrize("series", SERIES)
def test_every_decade_is_that_of_iec_60063(series):
    # The PyPI package eseries carries the tables of IEC 60063.
    expected = [v / 10 if v >= 10 else v for v in eseries.series(eseries.ESeries(series))]
    expected = sorted(v if v < 10 else v / 10 for v in expected)
    assert decade(series) == pytest.approx(tuple(expected))


@pytest.mark.parametrize(
    ("value", "series", "expected"),
    [(13.889e-6, 12, 15e-6), (9.9, 24, 10.0), (6.6315e-6, 24, 6.8e-6), (1e-3, 6, 1e-3)],
)
def test_nearest(value, series, expected):
    assert nearest(value, series) == pytest.approx(expected, rel=1e-9)


def test_two_equal_capacitors_in_series_are_half_of_one():
    # Common practice, no source (basic circuit theory).
    best = nearest_combinations({"a": 10e-6, "b": 10e-6}, 5e-6, "capacitor")[0]
    assert best.value == pytest.approx(5e-6)
    assert best.text == "a + b"


def test_all_ways_of_three_resistors():
    # Three different resistors can be joined in 8 two-terminal ways (series-parallel networks of
    # 3 labelled parts: P. A. MacMahon, 1892), 6 ways of two and 3 single ones.
    found = nearest_combinations({"a": 1.0, "b": 2.0, "c": 5.0}, 1.0, "resistor", count=99)
    assert len(found) == 8 + 6 + 3


def test_fewer_parts_win_among_equals():
    found = nearest_combinations({"x": 4.0, "y": 8.0, "z": 8.0}, 4.0, "inductor")
    assert [c.text for c in found[:2]] == ["x", "y | z"]
