"""Least squares with bounds, beside scipy's non-negative least squares."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.optimize import nnls

from meas.passivity.nonnegative import partly_nonnegative


@pytest.mark.parametrize("seed", range(40))
def test_the_same_as_scipy(seed: int) -> None:
    """scipy knows no free unknowns: there each is the difference of two."""
    rng = np.random.default_rng(seed)
    free, positive = rng.integers(0, 6), rng.integers(1, 12)
    matrix = rng.normal(size=(60, free + positive))
    target = rng.normal(size=60) + matrix @ rng.normal(size=free + positive)
    ours = partly_nonnegative(matrix, target, free)
    assert np.all(ours[free:] >= 0)
    theirs, left = nnls(np.concatenate([matrix, -matrix[:, :free]], axis=1), target)
    assert np.linalg.norm(matrix @ ours - target) == pytest.approx(left, rel=1e-9)
    theirs[:free] -= theirs[free + positive :]
    np.testing.assert_allclose(ours, theirs[: free + positive], atol=1e-7)
