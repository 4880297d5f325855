"""The reduced form of `world/causes.py`: what a refusal is called against what is truly wrong."""

from __future__ import annotations

import campaign_runs as runs
import campaign_world
import pytest
from world import bench, causes, circuit, driver, parts

from fit.parts.part_fit import fit_part
from meas.errors import Finding
from meas.takes.analysis import analyse
from meas.validity.judge import causes as left_after

SEED = 2026
# Each was once called by the name of a consequence, or is the plain case of its kind.
DRAWN = (
    ("input clips", 13),  # the peaks of the first periods alone, far below the resonance
    ("too quiet", 3),
    ("input not connected", 10),
    ("driver open", 16),
    ("one input twice", 0),
    ("frames lost", 0),
    ("one channel slips", 0),
    ("gain moves", 9),  # over a single sweep: a bump in the curve, which is no second resonance
    ("mains hum", 15),
    ("driven too far", 14),
    ("driven too far", 19),
    ("other side", 0),
    ("sweep above the resonance", 2),
    ("sweep below the resonance", 5),
    ("coil blocked", 18),  # beside a weak hum, which hides no resonance
    ("vented box", 0),
)


@pytest.mark.parametrize(("cause", "index"), DRAWN)
def test_the_true_cause_stands_first(cause: str, index: int) -> None:
    assert causes.one(SEED, cause, index) in causes.CAUSES[cause][1]


@pytest.mark.parametrize("index", [2, 38])
def test_a_healthy_bench_is_accepted_and_not_wrong(index: int) -> None:
    told = causes.one(SEED, "none", index)
    assert told.startswith(causes.ACCEPTED), told
    assert causes.WRONG not in told, told


def test_a_reason_leaves_out_what_it_brings_about() -> None:
    curve, hum, faint, caution = (
        Finding("not-passive", "", refuses=True),
        Finding("hum", "", refuses=True),
        Finding("faint", "", refuses=True),
        Finding("not-passive", ""),
    )
    assert left_after([curve, caution, hum, faint]) == [hum, faint, caution]
    assert left_after([curve, Finding("hum", "")])[0] == curve


PARTS = (
    ("capacitor", 0, 1.0),  # 0.5 uF beside 10 ohm: a delay is a capacitance of four times that
    ("capacitor", 7, 0.03),  # 96 uF beside 4.7 ohm: below 100 Hz a gain 3 % off is a negative part
    ("capacitor", 8, 0.03),
    ("capacitor", 9, 0.03),
    ("inductor", 0, 0.05),
    ("resistor", 0, 0.07),
)


@pytest.mark.parametrize(("kind", "index", "widest"), PARTS)
def test_a_part_is_told_where_nobody_compared_the_inputs(
    kind: str, index: int, widest: float
) -> None:
    """Taken, saved and read again; half-widths as the resistor and the gain of 3 % leave them."""
    rows = parts.one(7, kind, index, calibrated=False)
    named = {row["name"]: row for row in rows}
    assert "refused" not in named, rows
    assert all(abs(row["away"]) <= 1 for row in rows if "away" in row), rows
    assert all(row["limit"] for row in rows if "limit" in row), rows
    assert named[{"capacitor": "C", "inductor": "L", "resistor": "R"}[kind]]["wide"] < widest


class _Coil(driver.Driver):
    def impedance(self, s, held=None, moved=()):
        return 0.13 + 1e-4 * s


@pytest.mark.parametrize("gain", [0.97, 1.028])
def test_a_small_coil_is_no_negative_part_where_nobody_compared_the_gain(gain: float) -> None:
    """0.1 mH beside 10 ohm on the ground side: 3 % of gain are 0.3 ohm, more than it has."""
    rng = runs.rng_of(7, 99)
    made = bench.healthy(rng, calibrated=False, loaded=False)
    coil = _Coil("coil", 0.13, 0.0, 1.0, 1.0, 1.0, 1.0)
    state = circuit.State(coil, 10.0, "ground", input_ohm=5e4)
    made = bench.replace(
        made, driver=coil, state=state, drive=circuit.Drive(20.0), resistor_stated=10.0,
        gain=gain, delay=0.7, input_stated=5e4,
    )  # fmt: skip
    found = analyse(
        made.take(bench.FREE, rng), circuit.RATE, campaign_world._rig(made), kind="part"
    )
    assert not found.refused
    low, high = fit_part(found.curve, "inductor").parameters["L"].interval_95
    assert low**1.5 / high**0.5 < 1e-4 < high**1.5 / low**0.5  # within twice the interval
