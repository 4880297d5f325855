"""Differences of curves, series of states and pairs: coverage, known ends, plain answers."""

from __future__ import annotations

import json
import math
from dataclasses import replace

import numpy as np
import pytest
from made_fits import SOURCES, Physical, curve, fit_of

from fit.compare.curves import difference, largest
from fit.compare.pair import LIMIT_DB, pair, pairs
from fit.compare.repeatability import REPEATABILITY
from fit.compare.trend import trend
from fit.compare.words import to_json
from fit.results.result import DriverFit

DRIVER = Physical()


def clamped(rng: np.random.Generator, driver: Physical = DRIVER) -> Physical:
    """The driver at another take: every part off by its own repeatability."""
    return driver.but(
        **{part: math.exp(u * rng.standard_normal()) for part, (u, _) in REPEATABILITY.items()}
    )


def seen(driver: Physical, resistor: float = 0.0, noise: float = 0.0, seed: int = 0) -> DriverFit:
    """A fit whose curve is read through a resistor that is off, with scatter."""
    one = curve(driver)
    rng = np.random.default_rng(seed)
    off = (1 + resistor) * (1 + noise * rng.standard_normal(one.frequency_hz.size))
    return replace(fit_of(driver), curves=(replace(one, measured_ohm=one.measured_ohm * off),))


def test_band_covers_a_driver_clamped_anew() -> None:
    """95 % by construction: pairs of takes scatter by what the band is made of.

    Both fits count 0.1 % of random error besides, so the band is a little wide: 93 to 98.5 %.
    400 pairs with about five independent stretches of frequency: 0.95 within 0.5 % (one sigma).
    """
    rng = np.random.default_rng(5)
    inside = []
    for _ in range(400):
        found = difference(seen(clamped(rng)), seen(clamped(rng)))
        inside.append(np.mean(np.abs(found.difference_ohm) <= found.reach_95_ohm))
    assert 0.93 < np.mean(inside) < 0.985


def test_a_shared_resistor_does_not_widen_the_band_but_a_foreign_one_does() -> None:
    other = {("resistor:bench-b" if s == "resistor:bench-a" else s): e
             for s, e in SOURCES.items()}  # fmt: skip
    before = fit_of(DRIVER)
    same = difference(before, fit_of(DRIVER))
    foreign = difference(before, fit_of(DRIVER, sources=other))
    # A resistor off by 0.58 % moves |Z| by as much, once for either bench.
    z = abs(DRIVER.impedance(same.frequency_hz[:1])[0][0])
    assert foreign.reach_95_ohm[0] == pytest.approx(
        math.hypot(same.reach_95_ohm[0], 1.96 * math.sqrt(2) * 0.0058 * z), rel=0.03
    )


def test_difference_is_the_measured_one_and_the_peak_of_it_is_found() -> None:
    after = DRIVER.but(Cms=1.17)
    found = difference(seen(DRIVER), seen(after))
    expected = np.abs(after.impedance(found.frequency_hz)[0]) - np.abs(
        DRIVER.impedance(found.frequency_hz)[0]
    )
    np.testing.assert_allclose(found.difference_ohm, expected, atol=1e-9)
    top = largest(found)
    assert top is not None
    fs = DRIVER.values()["fs"]
    assert 0.6 * fs < top[0] < 1.3 * fs
    assert largest(difference(seen(DRIVER), seen(DRIVER.but(Cms=1.003)))) is None


def test_without_re_there_is_no_band_and_nothing_stands_out() -> None:
    lacking = fit_of(DRIVER, names=("fs", "Qms", "Qes"))
    found = difference(lacking, fit_of(DRIVER.but(Cms=1.3)))
    assert np.all(np.isnan(found.reach_95_ohm))
    assert np.max(np.abs(found.difference_ohm)) > 1
    assert largest(found) is None


def test_noise_of_the_curves_enters() -> None:
    quiet = difference(seen(DRIVER), seen(DRIVER))
    noisy = difference(seen(DRIVER, noise=0.02, seed=1), seen(DRIVER, noise=0.02, seed=2))
    high = quiet.frequency_hz > 5000
    added = np.mean(noisy.reach_95_ohm[high] ** 2 - quiet.reach_95_ohm[high] ** 2)
    z = np.abs(DRIVER.impedance(quiet.frequency_hz[high])[0])
    assert added == pytest.approx(np.mean(2 * (1.96 * 0.02 * z) ** 2), rel=0.35)


# ---- series --------------------------------------------------------------------------------------

HOURS = (0.0, 1.0, 3.0, 8.0, 24.0)


def series(end: float, constant: float, hours: tuple[float, ...] = HOURS, seed: int | None = None):
    """States of a driver whose resonance falls to ``end`` (relative) exponentially."""
    rng = np.random.default_rng(seed)
    states = []
    for t in hours:
        fs = end * (1 / end) ** math.exp(-t / constant)
        driver = DRIVER.but(Cms=fs**-2)
        if seed is not None:
            driver = clamped(rng, driver)
        states.append((f"after {t:g} h", fit_of(driver)))
    return states


def test_a_known_end_is_found() -> None:
    found = trend("fs", series(0.88, 4.0), HOURS, 0.02)
    assert found.limit == pytest.approx(0.88 * DRIVER.values()["fs"], rel=2e-3)
    assert found.hours_constant == pytest.approx(4.0, rel=0.1)
    assert found.verdict == "yes"  # e^-6 of it is left
    early = trend("fs", series(0.80, 12.0, (0.0, 2.0, 5.0, 9.0)), (0.0, 2.0, 5.0, 9.0), 0.02)
    assert early.verdict == "no"


def test_ends_are_covered() -> None:
    """95 % intervals of 300 series hold the true end in 92 to 99 % (a profile is a little wide)."""
    inside = told = 0
    for seed in range(300):
        found = trend("fs", series(0.85, 5.0, seed=seed), HOURS, 0.05)
        if found.limit_95 is None:
            continue
        told += 1
        inside += found.limit_95[0] <= 0.85 * DRIVER.values()["fs"] <= found.limit_95[1]
    assert told > 250
    assert 0.92 < inside / told <= 0.995


def test_it_never_says_settled_while_much_is_to_come() -> None:
    """Stopped after half a time constant, a tenth still to come: not once a yes."""
    hours = (0.0, 1.0, 2.0, 3.0, 4.0)
    words = {
        trend("fs", series(0.75, 10.0, hours, seed=s), hours, 0.05).verdict for s in range(100)
    }
    assert "yes" not in words
    assert "no" in words


def test_no_trend_and_not_enough_states() -> None:
    still = [(str(t), fit_of(DRIVER)) for t in HOURS]
    assert trend("fs", still, HOURS, 0.05).verdict == "yes"
    assert trend("fs", still[:3], HOURS[:3], 0.05).verdict == "unknown"
    assert trend("fs", still, None, 0.05).verdict == "unknown"
    unsure = [(str(t), fit_of(DRIVER, scale=100)) for t in HOURS]
    assert trend("fs", unsure, HOURS, 0.02).verdict == "undecided"


def test_states_that_rise_and_fall_lead_nowhere() -> None:
    wild = [
        (str(t), fit_of(DRIVER.but(Cms=c)))
        for t, c in zip(HOURS, (1, 1.3, 0.9, 1.4, 1), strict=True)
    ]
    assert trend("fs", wild, HOURS, 0.05).verdict == "unknown"


def test_hours_reach_the_document() -> None:
    document = to_json(series(0.88, 4.0), margin=0.05, hours=HOURS)
    assert document["settled"]["verdict"] == "yes"
    assert "tends to" in document["settled"]["text"]
    assert document["trend"]["points"][4]["hours"] == 24.0
    json.dumps(document, allow_nan=False)


# ---- pairs ---------------------------------------------------------------------------------------


def test_level_of_a_pair_against_its_definition() -> None:
    """5 % in Bl is 20 lg 1.05 = 0.42 dB in the pass band; below, Qts moves too."""
    found = pair(("left", "right"), (fit_of(DRIVER), fit_of(DRIVER.but(Bl=1.05))))
    assert found is not None
    # A decade above resonance, where mass alone rules but for 0.02 dB (the electrical brake).
    assert found.level_db == pytest.approx(20 * math.log10(1.05), abs=0.03)
    assert found.fs_relative == pytest.approx(0.0, abs=1e-12)
    assert found.verdict == "matched"
    assert "louder than left" in found.text and "good pair" in found.text


def test_softer_suspension_shows_in_the_bass_only() -> None:
    found = pair(("a", "b"), (fit_of(DRIVER), fit_of(DRIVER.but(Cms=1.5))))
    assert found is not None
    assert abs(found.level_db) < 0.1
    assert found.worst_hz < 1.5 * DRIVER.values()["fs"]
    # Mechanically the same: |H| goes as |1/Zmech| f, all else equal.
    f = found.worst_hz
    s = 2j * math.pi * f
    zmech = [
        d.Rms + d.Bl**2 / d.Re + s * d.Mms + 1 / (s * d.Cms)
        for d in (DRIVER, DRIVER.but(Cms=1.5))
    ]  # fmt: skip
    assert found.worst_db == pytest.approx(20 * math.log10(abs(zmech[0] / zmech[1])), abs=1e-6)


def test_what_is_apart_and_what_is_too_uncertain() -> None:
    far = pair(("a", "b"), (fit_of(DRIVER), fit_of(DRIVER.but(Bl=1.25))))
    assert far is not None and far.verdict == "apart"
    free_air = ("Re", "fs", "Qms", "Qes", "Qts")
    alone = fit_of(DRIVER, names=free_air)
    assert pair(("a", "b"), (alone, alone)) is None
    sources = {"random:mass": {"sensitivity_2v83": 0.6, "fs": 0.001}}
    vague = pair(("a", "b"), (fit_of(DRIVER, sources=sources), fit_of(DRIVER, sources=sources)))
    assert vague is not None and vague.verdict == "undecided"


def test_pair_covers_equal_drivers_clamped_anew() -> None:
    """Two takes of one driver: the interval of the worst difference at 0 in 93 to 99.5 %."""
    rng = np.random.default_rng(3)
    inside = 0
    for _ in range(400):
        found = pair(("a", "b"), (fit_of(clamped(rng)), fit_of(clamped(rng))))
        assert found is not None
        inside += found.level_95[0] <= 0 <= found.level_95[1]
    assert 0.93 < inside / 400 <= 0.995


def test_best_of_several_pairs_first() -> None:
    named = [(n, fit_of(DRIVER.but(Bl=b, Cms=c))) for n, b, c in
             (("one", 1.0, 1.0), ("two", 1.15, 1.3), ("three", 1.01, 1.02))]  # fmt: skip
    found = pairs(named)
    assert len(found) == 3
    assert {found[0].first, found[0].second} == {"one", "three"}
    assert abs(found[0].worst_db) < LIMIT_DB < abs(found[-1].worst_db)
    document = to_json(named, margin=0.05, same_unit=False)
    assert document["pairs"][0]["verdict"] == "matched"
    assert "trend" not in document
