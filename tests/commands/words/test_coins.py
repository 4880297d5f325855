"""Coins that come near to a mass."""

from __future__ import annotations

import re

import pytest

from cli.driver.coins import COINS, near


@pytest.mark.parametrize("grams", [1, 2.5, 4, 7.5, 9, 12, 15, 20, 24, 30])
def test_every_proposal_is_near_and_true(grams: float) -> None:
    """What is said to weigh so much does, by the masses that mints state (`cli.driver.coins`)."""
    for text in near(grams / 1e3):
        said = float(re.search(r"\(([0-9.]+) g\)", text)[1])
        assert said == pytest.approx(grams, rel=0.1, abs=0.06)
        count = 1 if text.startswith("one ") else int(text.split()[0])
        assert any(count * coin.mass_kg * 1e3 == pytest.approx(said, abs=0.06) for coin in COINS)
    if grams <= 30:
        assert near(grams / 1e3), "some coins always come near"


def test_no_pile_is_proposed() -> None:
    assert near(0.2) == ()
