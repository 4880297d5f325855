"""Peaks by prominence, against scipy.signal, which defines them the same way."""

import numpy as np
import pytest
from scipy.signal import find_peaks

from fit.numerics.peaks import peaks


def curves():
    rng = np.random.default_rng(3)
    x = np.linspace(0, 6, 400)
    yield "smooth", np.sin(x) + 0.3 * np.sin(5 * x)
    yield "noisy", np.sin(x) + 0.2 * rng.standard_normal(x.size)
    yield "walk", np.cumsum(rng.standard_normal(500))
    yield "flat tops", np.round(3 * np.sin(7 * x)) + 0.0
    yield "steps", rng.integers(0, 4, 300).astype(float)
    yield "rising", x
    yield "constant", np.ones(20)
    yield "ends high", np.abs(x - 3)
    yield "two points", np.array([1.0, 2.0])
    yield "equal twins", np.array([0.0, 5.0, 1.0, 5.0, 0.0])


@pytest.mark.parametrize(
    ("name", "level"), list(curves()), ids=lambda part: part if isinstance(part, str) else ""
)
@pytest.mark.parametrize("least", [1e-3, 0.5])
def test_the_same_as_scipy(name, level, least):
    expected, shape = find_peaks(level, prominence=least)
    found = peaks(level, least)
    assert [index for index, _ in found] == expected.tolist(), name
    # The same subtraction of the same two numbers.
    assert [height for _, height in found] == pytest.approx(shape["prominences"], rel=1e-12)
