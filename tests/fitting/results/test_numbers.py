"""Numbers as people read them: what reaches beyond its value never stands as plus and minus."""

from __future__ import annotations

import numpy as np
import pytest

from fit.results.numbers import figures, reaching
from fit.results.result import Estimate


@pytest.mark.parametrize("relative", [1e-3, 0.02, 0.3, 0.66, 1.0, 3.0])
@pytest.mark.parametrize("value", [2759.0, 4.7e-6, 0.31])
def test_a_wide_interval_shows_both_ends(value: float, relative: float) -> None:
    found = figures(Estimate(value, "Hz", {"resistor": relative * value}), value / 2.759)
    low, high = value * np.exp(np.array([-1.96, 1.96]) * relative)
    if "±" in found.with_interval("Hz"):
        assert high - value == pytest.approx(value - low, rel=0.35)
        assert float(found.reach) < float(found.value)
    else:
        assert found.with_interval("Hz") == f"{found.value} ({found.low} to {found.high}) Hz"
    assert ("±" in found.with_interval()) == (relative < 0.1)


def test_what_may_be_nothing_is_told_as_the_most_that_it_may_be() -> None:
    assert reaching(0.31, 0.05) == ("0.310", "0.050")
    assert reaching(0.31, 3.6) == ("≤ 3.9", "")
    assert reaching(-0.02, 0.1) == ("≤ 0.080", "")
