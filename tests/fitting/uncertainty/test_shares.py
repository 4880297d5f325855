"""The split of a variance by cause, as people read it."""

from __future__ import annotations

import pytest

from fit.results.judge import Target, verdict
from fit.results.result import Estimate
from fit.results.shares import DRIFTS, REPEATS, shares


def test_shares_of_independent_sources_add_to_one() -> None:
    """Variances of independent sources add (JCGM 100:2008, 5.1.2)."""
    found = shares(Estimate(1.0, "ohm", {"a": 3.0, "b": -4.0}), {"a": "ruler", "b": "scale"})
    assert found == [("scale", pytest.approx(0.64)), ("ruler", pytest.approx(0.36))]
    assert sum(share for _, share in found) == pytest.approx(1.0)


def test_departures_of_single_takes_count_together() -> None:
    """Three small ones of 2 outweigh one resistor of 3: 12 against 9 of the variance."""
    parts = {
        "random:repeatability:compliance:1": 2.0,
        "random:repeatability:loss:1": 2.0,
        "random:driver-repeatability:re:2": 2.0,
        "random:drift:compliance:3": 1.0,
        "random:drift:air:4": 1.0,
        "resistor": 3.0,
    }
    words = {"resistor": "series resistor"}
    found = shares(Estimate(1.0, "Hz", parts), words)
    assert found[0] == (REPEATS, pytest.approx(12 / 23))
    assert dict(found)[DRIFTS] == pytest.approx(1 / 23)
    # The air that moves with the cone is no drift; its take is told, not the path.
    assert dict(found)["air load of take 4"] == pytest.approx(1 / 23)


def test_all_who_tell_shares_tell_the_same() -> None:
    estimate = Estimate(
        50.0, "Hz", {"random:drift:re:2": 1.0, "random:drift:loss:2": 1.0, "r": 1.2}
    )
    words = {"r": "series resistor"}
    assert shares(estimate, words)[0][0] == DRIFTS
    said = verdict(estimate, Target("fs", 50.0, 49.0, 51.0), words)
    assert said.verdict == "undecided"
    assert f"{DRIFTS} (58 % of the variance)" in said.text


def test_an_exact_value_has_no_causes() -> None:
    assert shares(Estimate(1.0, "ohm", {}), {}) == []
