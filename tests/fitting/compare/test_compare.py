"""Changes between fits: shared errors cancel, own ones add, and words follow."""

import json
import math

import numpy as np
import pytest
from made_fits import FREE_AIR_ONLY, SOURCES, Physical, fit_of

from fit.compare.changes import MARGIN, compare
from fit.compare.repeatability import REPEATABILITY
from fit.compare.words import in_words, settled, to_json
from fit.results.result import DriverFit, Estimate
from fit.results.scaling import exponents

NEW = Physical()
SOFTER = NEW.but(Cms=1.17)


def _one(value, contributions, symbol="Re", unit="ohm", takes=2, **more):
    estimate = Estimate(value, unit, contributions, **more)
    curves = fit_of(NEW, free_air_takes=takes).curves
    return DriverFit("plain", {symbol: estimate}, curves)


def test_what_two_fits_share_cancels():
    before = _one(6.0, {"resistor:a": 0.06, "random:x": 0.003})
    after = _one(6.3, {"resistor:a": 0.063, "random:y": 0.004})
    (change,) = compare(before, after).changes
    # The resistor is 1 % in both: gone. Left are 0.05 % and 0.0635 % in the logarithm.
    spread = math.hypot(0.003 / 6.0, 0.004 / 6.3)
    assert change.change_relative == pytest.approx(0.05, rel=1e-12)
    assert change.standard_uncertainty == pytest.approx(1.05 * spread, rel=1e-12)
    assert change.verdict == "changed"


def test_what_two_fits_do_not_share_adds():
    before = _one(6.0, {"resistor:a": 0.06})
    after = _one(6.3, {"resistor:b": 0.063})
    (change,) = compare(before, after).changes
    assert change.standard_uncertainty == pytest.approx(1.05 * 0.01 * math.sqrt(2), rel=1e-12)


def test_signs_of_shared_effects_matter():
    # One source that pushes the two values apart adds linearly.
    (change,) = compare(_one(6.0, {"s": 0.06}), _one(6.0, {"s": -0.06})).changes
    assert change.standard_uncertainty == pytest.approx(0.02, rel=1e-12)


def test_random_parts_never_cancel_even_under_one_name():
    (change,) = compare(_one(6.0, {"random:x": 0.06}), _one(6.0, {"random:x": 0.06})).changes
    assert change.standard_uncertainty == pytest.approx(0.01 * math.sqrt(2), rel=1e-12)


def test_a_difference_of_simulated_benches_scatters_as_stated():
    # JCGM 101 beside the propagated value: 20000 pairs give the spread within 0.5 % (1/sqrt(2n)),
    # four of it are allowed, plus 0.3 % for the curvature of the logarithm at 5 %.
    rng = np.random.default_rng(20261125)
    resistor, own_a, own_b, mass = rng.normal(size=(4, 20000))
    a = 6.0 * np.exp(0.03 * resistor + 0.02 * own_a)
    b = 6.5 * np.exp(0.05 * resistor + 0.01 * own_b + 0.02 * mass)
    before = _one(6.0, {"resistor:a": 0.03 * 6, "random:a": 0.02 * 6})
    after = _one(6.5, {"resistor:a": 0.05 * 6.5, "random:b": 0.01 * 6.5, "mass:m": 0.02 * 6.5})
    (change,) = compare(before, after).changes
    assert change.standard_uncertainty == pytest.approx(np.std(b / a), rel=0.023)


@pytest.mark.parametrize(
    ("ratio", "u", "expected"),
    [(1.03, 0.01, "changed"), (1.015, 0.01, "unchanged"), (1.015, 0.02, "undecided"),
     (1.002, 0.0005, "changed"), (1.2, 0.2, "undecided"), (1.0, 0.0, "unchanged")],
)  # fmt: skip
def test_verdicts(ratio, u, expected):
    before = _one(6.0, {"random:x": 0.0})
    after = _one(6.0 * ratio, {"random:y": 6.0 * ratio * u})
    (change,) = compare(before, after).changes
    assert change.verdict == expected
    low, high = change.interval_95
    assert low <= change.change_relative <= high
    assert (expected == "changed") == (low > 0 or high < 0)


def test_before_and_after_swapped_say_the_same():
    forth = compare(fit_of(NEW), fit_of(SOFTER))
    back = compare(fit_of(SOFTER), fit_of(NEW))
    for change in forth.changes:
        opposite = back.change(change.parameter)
        assert opposite.verdict == change.verdict
        assert (1 + change.change_relative) * (1 + opposite.change_relative) == pytest.approx(1)


def test_repeatability_is_assumed_where_takes_cannot_show_it_and_said():
    single = compare(fit_of(NEW), fit_of(NEW))
    repeated = compare(fit_of(NEW, free_air_takes=3), fit_of(NEW, free_air_takes=2))
    # fs goes as (Mms Cms)^(-1/2), from both fits.
    own, mass = SOURCES["random:takes"]["fs"], 0.5 * REPEATABILITY["Mms"][0]
    stiffness = 0.5 * REPEATABILITY["Cms"][0]
    expected = math.sqrt(2) * math.hypot(own, mass, stiffness)
    after = single.change("fs")
    assert after.standard_uncertainty == pytest.approx(expected, rel=1e-9)
    # Several takes show the scatter of the suspension, but no take shows another clamping.
    expected = math.sqrt(2) * math.hypot(own, mass)
    assert repeated.change("fs").standard_uncertainty == pytest.approx(expected, rel=1e-9)
    (note,) = repeated.notes
    assert "moving mass as clamped 0.3 %" in note
    assert "stiffness" not in note
    (note,) = single.notes
    assert "before and after" in note
    assert "suspension stiffness 1 %" in note
    assert len(compare(fit_of(NEW), fit_of(NEW, free_air_takes=3)).notes) == 2


def test_parameters_of_the_coil_model_repeat_as_its_inductance_does():
    def fit(made):
        return DriverFit("lossy", {**made.parameters, "K": Estimate(0.02, "1", {})}, made.curves)

    change = compare(fit(fit_of(NEW)), fit(fit_of(NEW))).change("K")
    assert change.standard_uncertainty == pytest.approx(0.01 * math.sqrt(2))


@pytest.mark.parametrize("symbol", sorted(Physical().values()))
def test_exponents_against_the_definitions(symbol):
    # Central differences in the logarithm, error of order h^2 = 1e-6.
    h = 1e-3
    parameters = fit_of(NEW).parameters
    logarithm = (lambda v: v * math.log(10) / 10) if "sens" in symbol else math.log
    for part in ("Re", "Bl", "Mms", "Cms", "Rms", "Sd"):
        up, down = (logarithm(NEW.but(**{part: math.exp(t)}).values()[symbol]) for t in (h, -h))
        expected = (up - down) / (2 * h)
        assert exponents(symbol, parameters).get(part, 0.0) == pytest.approx(expected, abs=1e-5)


def test_a_resistor_common_to_both_does_not_hide_a_change():
    # 1 % resistor: 0.58 % in Re of either; the difference knows Re to the coil's temperature.
    change = compare(fit_of(NEW), fit_of(NEW.but(Re=1.02))).change("Re")
    assert change.standard_uncertainty < 0.0058
    assert change.verdict == "changed"


def test_inductance_only_at_one_frequency():
    before, after = fit_of(NEW), fit_of(NEW)
    moved = Estimate(0.4e-3, "H", {}, frequency_hz=10000.0)
    after = DriverFit("plain", {**after.parameters, "Le": moved}, after.curves)
    comparison = compare(before, after)
    assert comparison.change("Le") is None
    assert any("1000 Hz" in n and "10000 Hz" in n for n in comparison.notes)


def test_coil_models_of_different_kind_are_not_compared_but_inductance_is():
    def fit(model, name):
        made = fit_of(NEW, model=model)
        return DriverFit(model, {**made.parameters, name: Estimate(1e-3, "H", {})}, made.curves)

    assert compare(fit("ladder", "L1"), fit("ladder", "L1")).change("L1") is not None
    comparison = compare(fit("ladder", "L1"), fit("power-law", "L1"))
    assert comparison.change("L1") is None
    assert comparison.change("Le").verdict == "unchanged"
    assert any("not compared" in note for note in comparison.notes)


def test_what_only_one_fit_gives_is_named():
    comparison = compare(fit_of(NEW, names=FREE_AIR_ONLY), fit_of(NEW))
    assert comparison.change("Mms") is None
    assert any(note.startswith("only after gives Mms") for note in comparison.notes)


def test_break_in_in_words_with_free_air_alone():
    before = fit_of(Physical(Mms=14e-3, Cms=0.256e-3), names=FREE_AIR_ONLY)
    after = fit_of(Physical(Mms=14e-3, Cms=0.256e-3 * (84.1 / 77.6) ** 2), names=FREE_AIR_ONLY)
    words = in_words(compare(before, after))
    assert "Resonance fs fell from 84.1 to 77.6 Hz (−7.7 %)" in words
    cause = "If the moving mass is unchanged, the suspension is 17 % softer; "
    assert words.startswith(f"{cause}fs, Qms, Qes and Qts follow from that.")
    assert "Nothing else changed beyond uncertainty." in words


def test_break_in_in_words_with_mass_known():
    words = in_words(compare(fit_of(NEW), fit_of(SOFTER)))
    assert words.startswith("The suspension is 17 % softer; fs, Qms, Qes, Qts and Vas follow")
    assert "Resonance fs fell" in words and "Q fell" not in words and "compliance" not in words


def test_added_glue_is_no_softening():
    words = in_words(compare(fit_of(NEW), fit_of(NEW.but(Mms=1.12))))
    assert "The resonance moved with the moving mass (+12 %)" in words
    assert "softer" not in words


def test_a_warm_coil_in_words():
    words = in_words(compare(fit_of(NEW), fit_of(NEW.but(Re=1.0393))))
    assert "copper coil 10 K warmer" in words


def test_a_warm_room_in_words():
    before, after = fit_of(NEW), fit_of(NEW.but(Re=1.0393))
    same = {**after.parameters, "Re_20C": before.parameters["Re_20C"]}
    words = in_words(compare(before, DriverFit("plain", same, after.curves)))
    assert "temperature of the air explains" in words


def test_unsure_decibels_are_named_once_and_in_words():
    words = in_words(compare(fit_of(NEW, scale=20), fit_of(NEW, scale=20)))
    unsure = words.split("within 5 %: ")[1]
    assert "sensitivity at 2.83 V (+0.00 dB, 95 % from −0." in unsure
    assert "efficiency" not in unsure
    assert "_" not in unsure


def test_what_says_the_same_is_said_once():
    words = in_words(compare(fit_of(NEW), fit_of(NEW.but(Bl=1.2))))
    assert "Sensitivity at 2.83 V" in words
    assert "efficiency" not in words


def test_nothing_changed_in_words():
    words = in_words(compare(fit_of(NEW), fit_of(NEW)))
    assert words == "Nothing changed beyond uncertainty."


def test_two_units_are_not_said_to_have_changed():
    comparison = compare(fit_of(NEW), fit_of(SOFTER), names=("left", "right"))
    words = in_words(comparison, same_unit=False)
    assert "fs is lower in right" in words
    assert "The suspension of right is 17 % softer" in words
    assert "changed" not in words.replace("unchanged", "")


def test_how_two_units_go_together_by_free_air_alone():
    alone = {"names": FREE_AIR_ONLY}
    alike = compare(fit_of(NEW, **alone), fit_of(NEW.but(Cms=1.01), **alone))
    words = in_words(alike, same_unit=False)
    assert "Re, fs and Qts agree within 5 %: a pair as far as free air can tell" in words
    apart = compare(fit_of(NEW, **alone), fit_of(NEW.but(Bl=1.1), **alone))
    assert "a pair" not in in_words(apart, same_unit=False)
    # With levels known, these decide: see fit.pair.
    assert "a pair" not in in_words(compare(fit_of(NEW), fit_of(NEW)), same_unit=False)


def test_what_is_still_to_come():
    # Steps of fs of -4 % and -2 % (logarithm), halving: another -2 % in all.
    fits = [fit_of(NEW.but(Cms=math.exp(c)), free_air_takes=3) for c in (0.0, 0.08, 0.12)]
    word, text = settled([compare(fits[0], fits[1]), compare(fits[1], fits[2], margin=0.02)])
    assert word == "no"
    assert "another -2.0 % in the end" in text
    word, text = settled([compare(fits[0], fits[1], margin=0.02)])
    assert word == "no"
    assert "in the end" not in text


def test_most_significant_first():
    comparison = compare(fit_of(NEW), fit_of(NEW.but(Re=1.05, Cms=1.05)))
    sizes = [abs(change.significance) for change in comparison.changes]
    assert sizes == sorted(sizes, reverse=True)
    assert comparison.changes[0].parameter in ("Re", "Zmin")


def _series(*softness):
    return [
        (f"{hour} h", fit_of(NEW.but(Cms=c), free_air_takes=3)) for hour, c in enumerate(softness)
    ]


@pytest.mark.parametrize(
    ("softness", "expected"),
    [((1.0, 1.15, 1.155), "yes"), ((1.0, 1.08, 1.18), "no"), ((1.0, 1.15, 1.15), "yes")],
)
def test_is_it_settled(softness, expected):
    document = to_json(_series(*softness), margin=MARGIN)
    assert document["settled"]["verdict"] == expected
    assert [step["after"] for step in document["steps"]] == ["1 h", "2 h"]
    assert all(step["before"] == "0 h" for step in document["steps"])


def test_unsure_takes_cannot_say_whether_it_settled():
    unsure = [(str(i), fit_of(NEW, scale=60)) for i in range(3)]
    word, text = settled([compare(unsure[1][1], unsure[2][1])])
    assert word == "undecided"
    assert "two or more free-air takes" in text


def test_json_keeps_the_contract():
    document = to_json([("new", fit_of(NEW)), ("run in", fit_of(SOFTER))], margin=0.03)
    read = json.loads(json.dumps(document, allow_nan=False))
    assert read["format"] == "freeair-compare/1"
    assert read["margin"] == 0.03
    assert "steps" not in read
    assert {c["parameter"] for c in read["changes"]} == set(Physical().values())
    for change in read["changes"]:
        assert set(change) >= {
            "parameter", "before", "after", "change_relative", "standard_uncertainty", "verdict",
        }  # fmt: skip
        assert change["verdict"] in ("changed", "unchanged", "undecided")
    fs = next(c for c in read["changes"] if c["parameter"] == "fs")
    assert fs["change_relative"] == pytest.approx(1.17**-0.5 - 1, rel=1e-9)


@pytest.mark.parametrize("margin", [0.0, -0.1, 1.0, 2.0])
def test_a_margin_is_a_fraction(margin):
    with pytest.raises(ValueError, match="fraction"):
        compare(fit_of(NEW), fit_of(NEW), margin=margin)
