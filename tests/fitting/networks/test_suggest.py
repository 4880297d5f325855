"""What a driver is good for, against the alignments of the literature."""

from __future__ import annotations

import math

import pytest

from fit.box.suggest import suggest
from fit.results.result import Estimate


def driver(fs: float, Qts: float, Vas: float | None = 0.020) -> dict[str, Estimate]:
    found = {"fs": Estimate(fs, "Hz", {}), "Qts": Estimate(Qts, "1", {})}
    return found if Vas is None else {**found, "Vas": Estimate(Vas, "m3", {})}


def test_the_closed_box_is_maximally_flat() -> None:
    """alpha = (Qtc/Qts)^2 - 1 and f3 = fc = fs Qtc/Qts at Qtc = 1/sqrt 2 (Small 1972)."""
    closed = suggest(driver(48.0, 0.41)).closed
    assert closed is not None
    assert closed.volume == pytest.approx(0.020 / (0.5 / 0.41**2 - 1))
    assert closed.f3 == pytest.approx(48.0 * math.sqrt(0.5) / 0.41)


@pytest.mark.parametrize(
    ("Qts", "alpha", "h", "f3"),
    [
        # Small 1973 with QL = 7, computed from the polynomial (handbook tables of the project).
        (0.4048, 1.0613, 1.0, 1.0),
        (0.350, 1.7964, 1.1395, 1.2702),
    ],
)
def test_the_vented_box_is_that_of_its_alignment(
    Qts: float, alpha: float, h: float, f3: float
) -> None:
    vented = suggest(driver(40.0, Qts)).vented
    assert vented is not None
    assert vented.volume == pytest.approx(0.020 / alpha, rel=2e-3)
    assert vented.fb == pytest.approx(40.0 * h, rel=2e-3)
    assert vented.f3 == pytest.approx(40.0 * f3, rel=2e-3)


def test_what_no_box_can_give_is_not_suggested() -> None:
    assert suggest(driver(48.0, 0.8)).closed is None
    for Qts in (0.15, 0.69, 1.4):
        found = suggest(driver(48.0, Qts))
        for box in (found.closed, found.vented):
            assert box is None or 0.002 <= box.volume <= 0.1
    assert suggest(driver(48.0, 0.41, None)) == suggest(driver(40.0, 0.3, None))


@pytest.mark.parametrize(
    ("fs", "kind"), [(20, "woofer"), (149, "woofer"), (300, "midrange"), (1150, "tweeter")]
)
def test_kinds(fs: float, kind: str) -> None:
    assert suggest(driver(fs, 0.5)).kind == kind
