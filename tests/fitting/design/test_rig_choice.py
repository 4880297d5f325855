"""Choosing the series resistor, against differences of the divider and trials with noise."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
from invoked import Invoke

from fit.design.series_resistor import Card, Expected, Limits, around, choose, evaluate

CARD = Card(
    output_volt=1.4, output_ohm=1.0, least_load_ohm=16.0, input_volt=1.4, noise_volt_rms=20e-6
)
WOOFER = Expected(Re=6.0, fs=45.0, Qms=4.0, Qes=0.45, Le=0.5e-3)
LIMITS = Limits()


@pytest.fixture
def invoke(capsys: pytest.CaptureFixture[str]) -> Invoke:
    return Invoke(capsys)


def test_the_expected_driver() -> None:
    # Re (1 + Qms/Qes) at resonance (Small 1972), Re + j w Le far above.
    assert abs(WOOFER.impedance(np.array([45.0]))[0].real) == pytest.approx(WOOFER.peak_ohm)
    assert WOOFER.peak_ohm == pytest.approx(6 * (1 + 4 / 0.45))


@pytest.mark.parametrize("side", ["hot", "ground"])
def test_parts_by_trial(side: str) -> None:
    # Noise of given size on the ratio of both amplitudes, 4000 draws: known to 1 %, five of which
    # are allowed; two standard deviations are what is stated.
    found = evaluate(22.0, CARD, WOOFER, side, LIMITS)  # type: ignore[arg-type]
    rng, R = np.random.default_rng(1), 22.0
    for place in (0, 88, 200, -1):
        Z = found.impedance_ohm[place]
        source = found.level * 1.4 * abs((R + Z) / (R + Z + 1.0))
        count = 10.0 * 48000 / (np.log2(2000) * 40)
        s = 20e-6 * np.sqrt(2 / count)
        noise = rng.normal(0, s, (2, 4000)) + 1j * rng.normal(0, s, (2, 4000))
        H = ((Z if side == "hot" else R) / (R + Z) * source + noise[0]) / (source + noise[1])
        measured = R * H / (1 - H) if side == "hot" else R * (1 - H) / H
        spread = np.sqrt(np.mean(np.abs(measured - Z) ** 2) / 2) / abs(Z)
        assert found.noise[place] / 2 == pytest.approx(spread, rel=0.05)
        # A gain of one input 1e-6 off, by difference.
        H = (Z if side == "hot" else R) / (R + Z) * (1 + 1e-6)
        off = R * H / (1 - H) if side == "hot" else R * (1 - H) / H
        lever = abs(off / Z - 1) / 1e-6
        assert found.mismatch[place] == pytest.approx(2 / np.sqrt(3) * 5e-4 * lever, rel=1e-3)


def test_noise_is_least_where_the_driver_is_as_large_as_the_resistor() -> None:
    # |R + Z|^2/(R |Z|) with Z = R x is (1 + x)^2/x, least (4) at x = 1. Three resistive drivers
    # (no resonance to speak of), the larger drive of the larger load taken out.
    card = Card(1.4, 1e-6, 1.0, 100.0, 20e-6)

    def noise(Re: float) -> float:
        found = evaluate(10.0, card, Expected(Re, 45.0, 1e-9, 1.0), "ground", LIMITS)
        H = 10.0 / (10.0 + Re)
        return float(found.noise[50] / np.sqrt(1 + H**2))

    assert noise(2.5) / noise(10.0) == pytest.approx(1.25**2 / 0.25 / 4, rel=1e-3)
    assert noise(40.0) / noise(10.0) == pytest.approx(5.0**2 / 4 / 4, rel=1e-3)


def test_the_best_is_a_preferred_value_that_the_output_bears() -> None:
    found = choose(CARD, WOOFER, "hot", LIMITS)
    best = found[0]
    # E12 of IEC 60063 by hand.
    decade = {1.0, 1.2, 1.5, 1.8, 2.2, 2.7, 3.3, 3.9, 4.7, 5.6, 6.8, 8.2}
    values = {round(v * p, 9) for v in decade for p in (1, 10, 100)} | {1000.0}
    assert {one.resistor_ohm for one in found} <= values
    assert all(one.resistor_ohm + 6.0 + 1.0 >= 16.0 for one in found)
    assert best.worst <= 1.1 * min(one.worst for one in found)
    near = around(best, found)
    assert [one.resistor_ohm for one in near] == sorted(one.resistor_ohm for one in near)
    assert best in near
    # Inputs stay at half of full scale, and what heats the resistor is what flows.
    assert best.level * 1.4 <= 0.5 * 1.4 * 1.2
    assert 0 < best.resistor_watt < 0.1


def test_a_noisy_card_wants_the_resistor_near_the_driver_and_a_good_one_does_not_care() -> None:
    noisy = Card(1.4, 1.0, 1.0, 1.4, 20e-3)
    best = choose(noisy, WOOFER, "hot", LIMITS)[0].resistor_ohm
    # The noise lever is even between 6 and 59 ohm at sqrt(6 x 59) = 19 ohm.
    assert 8 < best < 40


def test_nothing_suits_an_output_that_bears_nothing() -> None:
    assert choose(Card(1.4, 1.0, 5000.0, 1.4, 2e-5), WOOFER, "hot", LIMITS) == ()


def test_command(invoke: Invoke, tmp_path: Path) -> None:
    picture = tmp_path / "resistor.svg"
    ran = invoke("rig", "choose", "--re", "5.6ohm", "--fs", "38Hz", "--picture", picture)
    assert ran.status == 0, ran.told
    assert "best" in ran.stdout and "5.6 Ω" in ran.stdout
    assert "<svg" in picture.read_text()
    document = json.loads(invoke("rig", "choose", "--driver", "tweeter", "--json").stdout)
    row = next(r for r in document["choices"] if r["resistor_ohm"] == document["best_ohm"])
    assert 0 < row["worst_noise"] < row["worst"] < row["worst_uncalibrated"]
    assert invoke("rig", "choose", "--least-load", "4kohm").status == 1
    for wrong in (
        ("--driver", "spoon"), ("--series", "7"), ("--resistor-side", "left"), ("--qms", "0"),
        ("--re", "6"), ("--picture", tmp_path / "a.txt"),
    ):  # fmt: skip
        assert invoke("rig", "choose", *wrong).status == 2, wrong
