"""Units into pairs, against every matching there is; and a series in numbers."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence

import numpy as np
import pytest
from made_fits import Physical, fit_of

from fit.compare.matching import cheapest, match
from fit.compare.pair import pair
from fit.compare.repeatability import REPEATABILITY
from fit.results.result import DriverFit
from fit.series.statistics import summarise
from meas.errors import Refused

DRIVER = Physical()


def matchings(units: Sequence[int]) -> Iterator[tuple[tuple[int, int], ...]]:
    """Every way to pair all units, or all but one where their number is odd."""
    if len(units) % 2:
        for alone in range(len(units)):
            yield from matchings([*units[:alone], *units[alone + 1 :]])
        return
    if not units:
        yield ()
        return
    first, *rest = units
    for index, other in enumerate(rest):
        for others in matchings([*rest[:index], *rest[index + 1 :]]):
            yield ((first, other), *others)


def test_the_count_of_matchings_is_the_double_factorial() -> None:
    assert len(list(matchings(range(8)))) == 7 * 5 * 3
    assert len(list(matchings(range(7)))) == 7 * 5 * 3


@pytest.mark.parametrize("n", [3, 4, 5, 6, 7, 8, 9])
def test_the_cheapest_matching_is_that_of_all(n: int) -> None:
    for seed in range(4):
        rng = np.random.default_rng([n, seed])
        cost = rng.exponential(size=(n, n))
        cost = cost + cost.T
        found, exact = cheapest(cost)
        assert exact
        assert len(found) == n // 2
        assert len({index for edge in found for index in edge}) == 2 * (n // 2)
        best = min(sum(cost[edge] for edge in m) for m in matchings(range(n)))
        assert sum(cost[edge] for edge in found) == pytest.approx(best, rel=1e-9)


def test_a_long_stack_on_a_line_is_paired_with_its_neighbours() -> None:
    """Points on a line and the square of their distance: neighbours in order are the optimum
    (any crossing or nesting of two pairs costs more)."""
    at = np.sort(np.random.default_rng(4).uniform(0, 10, 40))
    cost = (at[:, None] - at[None, :]) ** 2
    found, exact = cheapest(cost)
    assert exact
    assert set(found) == {(i, i + 1) for i in range(0, 40, 2)}


def stack(seed: int, n: int, **how: object) -> list[tuple[str, DriverFit]]:
    rng = np.random.default_rng(seed)
    spreads = {"Re": 0.01, "Bl": 0.03, "Mms": 0.02, "Cms": 0.08, "Rms": 0.05}
    return [
        (
            f"unit {i + 1}",
            fit_of(
                DRIVER.but(**{p: math.exp(s * rng.standard_normal()) for p, s in spreads.items()}),
                **how,
            ),
        )
        for i in range(n)
    ]


def test_pairs_of_units_are_the_best_by_their_worst_level() -> None:
    units = stack(1, 7)
    found = match(units)
    fits = dict(units)

    def price(names: Sequence[tuple[str, str]]) -> float:
        each = [pair(two, (fits[two[0]], fits[two[1]])) for two in names]
        return sum(one.worst_db**2 for one in each if one is not None)

    names = [name for name, _ in units]
    best = min(price([(names[i], names[j]) for i, j in m]) for m in matchings(range(7)))
    chosen = [(p.first, p.second) for p in found.pairs]
    assert price(chosen) == pytest.approx(best)
    assert found.rms_db == pytest.approx(math.sqrt(best / 3))
    assert found.rms_db <= found.in_order_db
    assert found.left_over in names
    assert found.left_over not in {name for two in chosen for name in two}
    assert [abs(p.worst_db) for p in found.pairs] == sorted(abs(p.worst_db) for p in found.pairs)


def test_the_odd_one_out_is_the_one_that_fits_nobody() -> None:
    units = [*stack(2, 4), ("loud", fit_of(DRIVER.but(Bl=1.4)))]
    assert match(units).left_over == "loud"


def test_what_cannot_be_told_apart_is_said() -> None:
    """Four equal units: any pairing is as good. Two clear pairs: no other one is."""
    equal = match([(name, fit_of(DRIVER)) for name in "abcd"])
    assert len(equal.alternatives) >= 1
    assert equal.alternatives[0].cost_more == pytest.approx(0.0, abs=1e-9)
    assert {n for two in equal.alternatives[0].pairs for n in two} == set("abcd")
    loud = DRIVER.but(Bl=1.3)
    clear = match([("a", fit_of(DRIVER)), ("b", fit_of(loud)), ("c", fit_of(DRIVER)),
                   ("d", fit_of(loud))])  # fmt: skip
    assert {frozenset((p.first, p.second)) for p in clear.pairs} == {
        frozenset("ac"),
        frozenset("bd"),
    }
    assert clear.alternatives == ()
    assert clear.in_order_db > 1.5  # a with b: 30 % in Bl is 2.3 dB


def test_units_without_a_level_are_refused_by_name() -> None:
    units = stack(3, 4)
    mute = fit_of(DRIVER, names=("Re", "fs", "Qms", "Qes", "Qts"))
    with pytest.raises(Refused, match=r"the mute one.*no-sensitivity"):
        match([*units, ("the mute one", mute)])
    with pytest.raises(Refused, match="too-few-units"):
        match(units[:2])


# ---- a series in numbers -------------------------------------------------------------------------


def test_one_driver_measured_again_and_again_is_all_measurement() -> None:
    """Clamped anew 40 times: the spread is the repeatability, its share of the variance one."""
    rng = np.random.default_rng(6)
    again = [
        (
            str(i),
            fit_of(
                DRIVER.but(
                    **{
                        p: math.exp(u * rng.standard_normal())
                        for p, (u, _) in REPEATABILITY.items()
                    }
                )
            ),
        )
        for i in range(40)
    ]
    found = {one.parameter: one for one in summarise(again)}
    for symbol in ("Re", "fs", "Qms", "Bl"):
        one = found[symbol]
        assert one.spread_95[0] <= one.measuring * 1.05
        assert one.measuring_share > 0.6  # a chi-square of 39 leaves 0.65 with 2 % chance
        assert one.outliers == ()


def test_units_that_differ_differ_by_themselves() -> None:
    found = {one.parameter: one for one in summarise(stack(7, 30))}
    fs = found["fs"]
    truth = 0.5 * math.hypot(0.08, 0.02)
    assert fs.spread_95[0] < truth < fs.spread_95[1]
    assert fs.measuring_share < 0.1
    assert fs.units_apart == pytest.approx(fs.spread * math.sqrt(1 - fs.measuring_share))
    level = found["sensitivity_2v83"]
    # 20 lg of Bl/(Re Mms): 3 %, 1 %, 2 % make 0.32 dB, in the logarithm of power 0.075.
    assert level.spread == pytest.approx(2 * math.hypot(0.03, 0.01, 0.02), rel=0.35)
    assert level.unit == "dB"


def test_one_of_nine_units_with_another_resonance_is_named() -> None:
    """Nine units whose fs scatters by 2.5 % (5 % in compliance), one 17 % off.

    Leave-one-out Student's t with 7 degrees of freedom (F. E. Grubbs, Ann. Math. Stat. 21(1), 1950,
    in another form) with 1 % for the farthest of nine: finds it in 82 of 100; 20 series leave
    2.1 standard deviations down to 13.
    """
    named = 0
    for seed in range(20):
        rng = np.random.default_rng(seed)
        softer = np.exp(0.05 * rng.standard_normal(9))
        softer[3] = 1.17**-2
        found = {
            one.parameter: one
            for one in summarise(
                [(str(i), fit_of(DRIVER.but(Cms=c))) for i, c in enumerate(softer)]
            )
        }
        fs = found["fs"]
        assert fs.farthest.name == "3"
        named += [one.name for one in fs.outliers] == ["3"]
        assert all(one.chance < 0.01 for one in fs.outliers)
    assert named >= 13


def test_a_stranger_and_a_drift_are_seen() -> None:
    rng = np.random.default_rng(9)
    units = [
        (str(i), fit_of(DRIVER.but(Re=math.exp(0.002 * i + 0.003 * rng.standard_normal()))))
        for i in range(14)
    ]
    units[4] = ("stranger", fit_of(DRIVER.but(Cms=2.0)))
    found = {one.parameter: one for one in summarise(units)}
    assert [o.name for o in found["Cms"].outliers] == ["stranger"]
    assert found["Cms"].outliers[0].deviation == pytest.approx(math.log(2.0), abs=1e-6)
    moving = found["Re"].drift
    assert moving is not None and found["Re"].drifts
    assert moving.low < 0.002 < moving.high
    assert found["Bl"].drift is not None and not found["Bl"].drifts


def test_the_chance_of_an_order_is_that_of_counting() -> None:
    """Seven rising values: 2 of 5040 orders are so one-sided (Kendall's tau, exact)."""
    rising = [(str(i), fit_of(DRIVER.but(Re=math.exp(0.01 * i)))) for i in range(7)]
    found = {one.parameter: one for one in summarise(rising)}["Re"]
    assert found.drift is not None and found.drifts
    assert found.drift.probability == pytest.approx(2 / 5040)
    assert found.drift.middle == pytest.approx(0.01)
    six = {one.parameter: one for one in summarise(rising[:6])}["Re"]
    assert not six.drifts  # 2 of 720 is more than one in 500


def test_shares_outside_given_limits() -> None:
    """Clopper and Pearson: none of 10 leaves up to 1 - 0.025^(1/10) = 30.8 %."""
    units = stack(12, 10)
    re = [fit.parameters["Re"].value for _, fit in units]
    wide, half = (0.5 * min(re), None), (float(np.median(re)), None)
    found = {o.parameter: o for o in summarise(units, {"Re": wide, "fs": (1.0, 1e4)})}
    beyond = found["Re"].beyond
    assert beyond is not None
    assert beyond.counted == 0
    assert beyond.counted_share.high == pytest.approx(1 - 0.025**0.1, rel=1e-6)
    assert beyond.expected.high < 0.01
    beyond = {o.parameter: o for o in summarise(units, {"Re": half})}["Re"].beyond
    assert beyond is not None
    assert beyond.counted == 5
    assert beyond.expected.value == pytest.approx(0.5, abs=0.2)
    assert beyond.expected.low < 0.5 < beyond.expected.high
    assert found["Bl"].beyond is None


def test_two_units_are_no_series() -> None:
    with pytest.raises(Refused, match="too-few-units"):
        summarise(stack(1, 2))
