"""The spline beside that of scipy.interpolate."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.interpolate import CubicSpline

from meas.passivity.spline import cubic_spline


@pytest.mark.parametrize("count", [4, 5, 60, 400])
@pytest.mark.parametrize("columns", [(), (3,)])
def test_the_same_as_scipy(count: int, columns: tuple[int, ...]) -> None:
    rng = np.random.default_rng(count)
    x = np.log(np.cumsum(rng.uniform(1, 30, count)))
    y = rng.normal(size=(count, *columns))
    at = np.concatenate([x, rng.uniform(x[0], x[-1], 500)])
    theirs = CubicSpline(x, y)(at)
    np.testing.assert_allclose(cubic_spline(x, y, at), theirs, atol=1e-9 * np.abs(theirs).max())


def test_cubics_are_drawn_exactly() -> None:
    x = np.array([0.0, 0.3, 1.0, 1.2, 2.0, 3.5])
    cubic = np.poly1d([0.7, -1.0, 2.0, 0.4])
    at = np.linspace(0, 3.5, 50)
    np.testing.assert_allclose(cubic_spline(x, cubic(x), at), cubic(at), rtol=1e-12)
