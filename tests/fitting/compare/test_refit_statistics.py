"""What stands apart and what drifts, against distributions whose answer is known."""

from __future__ import annotations

import math

import numpy as np
import pytest

from fit.numerics import outliers
from fit.numerics.slope import slope


@pytest.mark.parametrize("n", [12, 60, 1000])
def test_clean_series_rarely_have_outliers(n: int) -> None:
    """`UNLIKELY` is 1 %: of 400 clean series 4 +- 2; 12 would be 4 standard deviations off."""
    rng = np.random.default_rng(n)
    alarms = 0
    for _ in range(400):
        far = outliers.deviations(rng.normal(3.7, 0.02, n), np.full(n, 1e-4))
        alarms += bool(np.any(np.abs(far) > 1))
    assert alarms <= 12


def test_the_bad_ones_are_found_and_no_other() -> None:
    rng = np.random.default_rng(4)
    values = rng.normal(math.log(43.0), 0.01, 50)
    values[[7, 30]] += [0.2, -0.15]  # twenty and fifteen times the spread
    far = outliers.deviations(values, np.full(50, 1e-4))
    assert list(np.flatnonzero(np.abs(far) > 1)) == [7, 30]
    assert far[7] > 0 > far[30]


def test_what_the_measurement_cannot_tell_is_not_apart() -> None:
    """Units alike to 1e-5, one off by five times that, measured to 1e-3."""
    values = 1e-5 * np.random.default_rng(5).standard_normal(20)
    values[3] = 2e-4
    assert np.abs(outliers.deviations(values, np.full(20, 1e-6)))[3] > 1
    assert np.all(np.abs(outliers.deviations(values, np.full(20, 1e-3))) < 1)


def test_four_values_have_no_outlier() -> None:
    assert not outliers.deviations(np.array([1.0, 1.0, 1.0, 9.0]), np.full(4, 1e-3)).any()


def test_a_drift_is_found_among_wild_values() -> None:
    """One in ten is far off, to either side: the 95 % interval still holds the truth.

    Of 200 series 190 +- 3.1; 177 would be 4 standard deviations off.
    """
    rng = np.random.default_rng(6)
    held = 0
    for _ in range(200):
        days = rng.uniform(0, 100, 30)
        values = 0.001 * days + rng.normal(0, 0.01, 30)
        values[rng.random(30) < 0.1] += rng.choice([-1.0, 1.0])
        found = slope(days, values)
        assert found is not None
        held += found.low <= 0.001 <= found.high
    assert held >= 177


def test_thousands_are_thinned_without_losing_the_drift() -> None:
    rng = np.random.default_rng(7)
    days = rng.uniform(0, 100, 3000)
    found = slope(days, 0.001 * days + rng.normal(0, 0.01, 3000))
    assert found is not None
    assert found.significant
    # Least squares would know it to 0.01/(sqrt(3000) 100/sqrt(12)) = 6.3e-6; six times that.
    assert found.middle == pytest.approx(0.001, abs=4e-5)


def test_chance_is_rarely_called_a_drift() -> None:
    """`UNLIKELY` is 1 %: of 300 series 3 +- 1.7; 10 would be 4 standard deviations off."""
    rng = np.random.default_rng(8)
    days = np.sort(rng.uniform(0, 100, 15))
    slopes = [slope(days, rng.standard_normal(15)) for _ in range(300)]
    assert sum(one is not None and one.significant for one in slopes) <= 10


def test_too_little_tells_no_slope() -> None:
    assert slope(np.arange(5.0), np.arange(5.0)) is None
    assert slope(np.zeros(20), np.arange(20.0)) is None
    still = slope(np.arange(20.0), np.ones(20))
    assert still is not None
    assert not still.significant
