"""The decision rule of JCGM 106 and ISO 14253-1."""

import math

import pytest
from made_fits import FREE_AIR_ONLY, Physical, estimates

from fit.results.judge import Target, judge, verdict
from fit.results.result import Estimate
from meas.errors import UsageError


def _plain(value, u, **more):
    return Estimate(value, "dB", {"random:1": u}, logarithmic=False, **more)


@pytest.mark.parametrize(
    ("value", "expected"),
    [
        (90.0, "inside"),
        (89.03, "inside"),
        (88.97, "undecided"),
        (88.0, "undecided"),
        (87.03, "undecided"),
        (86.97, "outside"),
        (90.97, "inside"),
        (91.03, "undecided"),
        (93.03, "outside"),
    ],
)
def test_guard_bands_of_one_expanded_uncertainty(value, expected):
    # JCGM 106:2012, 8.3.2 with w = U = 1.959964 u = 1: limits 88 and 92 accept 89 to 91.
    target = Target("sensitivity_2v83", 90.0, 88.0, 92.0)
    assert verdict(_plain(value, 1 / 1.959964), target).verdict == expected


def test_conformance_probability_of_jcgm_106():
    # JCGM 106:2012, 7.3.3, breakdown of a Zener diode: limit -5.40 V above, estimate -5.47 V,
    # u = 0.05 V, probability of conformance 0.92 (from memory; it is the normal integral to 1.4).
    judged = verdict(_plain(-5.47, 0.05), Target("sensitivity_1w", -6.0, upper=-5.4))
    assert judged.verdict == "undecided"
    assert "92 %" in judged.text


def test_one_sided_limits():
    resonance = Estimate(50.0, "Hz", {"random:1": 0.2})
    assert verdict(resonance, Target("fs", 48.0, lower=45.0)).verdict == "inside"
    assert verdict(resonance, Target("fs", 45.0, upper=48.0)).verdict == "outside"
    undecided = verdict(resonance, Target("fs", 55.0, lower=50.2))
    assert undecided.verdict == "undecided"
    assert "random:1 (100 % of the variance)" in undecided.text


def test_what_limits_it_is_said_in_words_and_by_groups():
    unsure = Estimate(50.0, "Hz", {"random:noise:1": 0.3, "random:noise:2": 0.3, "ruler": 0.4})
    words = {"random:noise:1": "noise of the takes", "random:noise:2": "noise of the takes"}
    (judged,) = judge({"fs": unsure}, [Target("fs", 55.0, lower=50.2)], words)
    assert "noise of the takes (53 % of the variance)" in judged.text  # 0.18 of 0.34


def test_a_wide_interval_reaches_no_farther_than_zero():
    # In the logarithm: 95 % from 50/e^1.96 = 7 to 50 e^1.96 = 355.
    wild = Estimate(50.0, "Hz", {"random:1": 50.0})
    judged = verdict(wild, Target("fs", 50.0, 1.0, 400.0))
    assert judged.verdict == "inside"
    z = (math.log(50.0), math.log(8.0))  # distances to the limits in standard uncertainties
    expected = 1 - 0.5 * math.erfc(z[0] / 2**0.5) - 0.5 * math.erfc(z[1] / 2**0.5)
    inside = wild.probability_below(400.0) - wild.probability_below(1.0)
    assert inside == pytest.approx(expected, rel=1e-9)


def test_few_repetitions_widen():
    # Student's t for three takes is 4.30, over 1.96: 2.2 (JCGM 100:2008, table G.2).
    target = Target("sensitivity_2v83", 90.0, 88.0, 92.0)
    assert verdict(_plain(90.0, 0.6), target).verdict == "inside"
    assert verdict(_plain(90.0, 0.6, widening=2.2), target).verdict == "undecided"


def test_no_uncertainty_decides_at_the_limit():
    exact = _plain(88.5, 0.0)
    assert verdict(exact, Target("sensitivity_1w", 90.0, 88.0, 92.0)).verdict == "inside"


@pytest.mark.parametrize(
    ("symbol", "said"),
    [
        ("Mms", "known mass"),
        ("Bl", "test box"),
        ("Vas", "diameter"),
        ("Sd", "diameter"),
        ("Sd_from_takes", "added mass and one in a test box"),
        ("sensitivity_2v83", "test box"),
    ],
)
def test_what_the_takes_cannot_give_is_undecided_and_says_what_would(symbol, said):
    parameters = estimates(Physical(), names=FREE_AIR_ONLY)
    (judged,) = judge(parameters, [Target(symbol, 0.01, 0.005, 0.02)])
    assert judged.verdict == "undecided"
    assert judged.estimate is None
    assert said in judged.text


def test_text_speaks_in_units_of_the_bench():
    (judged,) = judge(estimates(Physical()), [Target("Mms", 10e-3, 9.5e-3, 10.5e-3)])
    assert judged.verdict == "outside"
    assert "moving mass Mms = 14 g" in judged.text
    assert "the limits 9.5 to 10.5 g" in judged.text


@pytest.mark.parametrize(
    ("values", "said"),
    [
        (("Fs", 50.0, 45.0, 55.0), "no parameter has this name"),
        (("fs", 50.0), "no limit"),
        (("fs", 50.0, 55.0, 45.0), "between its limits"),
        (("fs", 60.0, 45.0, 55.0), "between its limits"),
        (("fs", -50.0, None, 55.0), "not positive"),
        (("fs", 50.0, 0.0, 55.0), "not positive"),
        (("fs", float("nan"), 45.0, 55.0), "not finite"),
        (("fs", 50.0, 45.0, float("inf")), "not finite"),
    ],
)
def test_impossible_targets(values, said):
    with pytest.raises(UsageError, match=said) as error:
        Target(*values)
    assert error.value.remedy
    assert values[0] in error.value.where
