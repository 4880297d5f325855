"""Each cause simulated by its physics must be named, and nothing else; healthy drivers, silence.

The driver is computed from its parts (A. N. Thiele 1971, R. H. Small 1972); a cause changes the
parts as it does on the bench: turns enter resistance and force factor alike and inductance by
their square, wire only the resistance, field only the force factor.
"""

from dataclasses import replace

import pytest
from made_fits import FREE_AIR_ONLY, Physical, estimates

from fit.diagnosis.explain import explain
from fit.diagnosis.known_coil import KnownCoil
from fit.results.judge import Target
from fit.results.result import Estimate
from meas.errors import UsageError

PLAN = Physical()
COIL = KnownCoil(wire_diameter=0.2e-3, turns=152, layers=4, former_diameter=20e-3, gap_height=6e-3)

TOLERANCE = {"Re": 0.05, "fs": 0.08, "Qts": 0.1, "Qes": 0.1, "Qms": 0.2, "Mms": 0.05, "Cms": 0.1,
             "Bl": 0.05, "Rms": 0.25}  # fmt: skip


def _targets(*symbols, plan=PLAN):
    values = plan.values()
    return [
        Target(s, values[s], values[s] * (1 - TOLERANCE[s]), values[s] * (1 + TOLERANCE[s]))
        for s in symbols
    ]


PARTS = ("Re", "fs", "Qts", "Mms", "Cms", "Bl", "Rms")
ALONE = ("Re", "fs", "Qms", "Qes", "Qts")  # what a free-air curve gives


def _codes(findings):
    return [finding.code for finding in findings]


CAUSES = [
    ({"Cms": 0.62}, "stiff-suspension", "38 % below plan"),
    ({"Cms": 1.4}, "soft-suspension", "40 % above plan"),
    ({"Mms": 1.15}, "heavy-moving-parts", "2.1 g too much"),
    ({"Mms": 0.85}, "light-moving-parts", "2.1 g missing"),
    ({"Re": 0.88, "Bl": 0.88, "Le": 0.77}, "missing-turns", "12 % of the turns missing"),
    ({"Re": 1.12, "Bl": 1.12, "Le": 1.25}, "surplus-turns", "12 % of the turns too many"),
    ({"Re": 0.8}, "wrong-wire", "wire 11.8 % thicker"),
    ({"Re": 1.25}, "wrong-wire", "wire 10.6 % thinner"),
    ({"Bl": 0.8}, "weak-gap-field", "20 % below plan"),
    ({"Bl": 1.2}, "strong-gap-field", "20 % above plan"),
    ({"Rms": 2.0}, "high-mechanical-loss", "closed metal former"),
    ({"Rms": 0.5}, "low-mechanical-loss", "less lossy"),
]


@pytest.mark.parametrize(("change", "code", "said"), CAUSES)
def test_each_cause_is_named_alone(change, code, said):
    findings = explain(estimates(PLAN.but(**change)), _targets(*PARTS))
    assert _codes(findings) == [code]
    assert said in findings[0].text


@pytest.mark.parametrize(("change", "code", "said"), CAUSES)
def test_causes_are_found_from_fs_and_qs_instead_of_targets_of_parts(change, code, said):
    # With Cms, Bl and Rms not stated they follow from fs, Qms, Qes, Mms and Re as planned. A Q
    # reacts by half or twice the change, so that small ones stay within its limits: no cause then.
    findings = explain(estimates(PLAN.but(**change)), _targets("Re", "fs", "Qms", "Qes", "Mms"))
    if code.endswith("-turns"):
        # Bl follows from Qes = 2 pi fs Mms Re/Bl^2, which 12 % of the turns move by 12 %.
        assert _codes(findings) in ([code], ["turns-or-wire"])
    else:
        assert code in _codes(findings)
        assert len(findings) == 1


@pytest.mark.parametrize(
    "change",
    [{}, {"Cms": 1.05}, {"Cms": 0.95}, {"Mms": 1.02}, {"Re": 1.02}, {"Bl": 0.98}, {"Rms": 1.15},
     {"Re": 0.98, "Bl": 0.98, "Le": 0.96}, {"Mms": 0.98, "Cms": 1.04, "Bl": 1.02}],
)  # fmt: skip
@pytest.mark.parametrize("symbols", [PARTS, ("Re", "fs", "Qms", "Qes", "Mms"), ALONE])
def test_healthy_drivers_are_met_with_silence(change, symbols):
    assert explain(estimates(PLAN.but(**change)), _targets(*symbols)) == ()
    free_air = estimates(PLAN.but(**change), names=FREE_AIR_ONLY)
    assert explain(free_air, _targets(*symbols)) == ()


@pytest.mark.parametrize(("change", "code", "said"), CAUSES)
def test_no_part_is_accused_beyond_uncertainty(change, code, said):
    # A hundred times the usual uncertainties: 79 % in Mms and Cms, 58 % in Re, 29 % in Rms; fs and
    # Qts are known well enough then to be surely off, but no part is.
    findings = explain(estimates(PLAN.but(**change), scale=100), _targets(*PARTS))
    assert set(_codes(findings)) <= {"resonance-off", "no-cause-found"}
    for finding in findings:
        assert "known too uncertainly" in finding.text


def test_no_targets_no_findings():
    assert explain(estimates(PLAN), []) == ()


def test_numbers_of_a_stiff_suspension():
    (finding,) = explain(estimates(PLAN.but(Cms=0.62)), _targets(*PARTS))
    # 0.62 x 0.7 = 0.434 mm/N; at an unchanged mass fs meets its plan of 50.8 Hz at 0.7 mm/N.
    assert "0.434 mm/N" in finding.text
    assert "At this moving mass, fs would be 50.8 Hz if compliance rose to 0.7 mm/N" in finding.text
    assert "With Cms alone as planned: fs 50.8 Hz, Qts 0.58" in finding.text


def test_mending_one_of_two_causes_says_what_is_left():
    driver = PLAN.but(Cms=0.7, Bl=0.8)
    findings = {f.code: f.text for f in explain(estimates(driver), _targets(*PARTS))}
    assert set(findings) == {"stiff-suspension", "weak-gap-field"}
    mended = replace(driver, Cms=PLAN.Cms).values()
    assert f"Qts {mended['Qts']:.3g}" in findings["stiff-suspension"]
    mended = replace(driver, Bl=PLAN.Bl).values()
    assert f"fs {mended['fs']:.3g} Hz, Qts {mended['Qts']:.3g}" in findings["weak-gap-field"]


def test_turns_and_field_from_the_winding():
    plan = replace(PLAN, Re=COIL.coil.resistance[1])
    short = plan.but(Re=140 / 152, Bl=140 / 152)
    targets = _targets("fs", "Mms", "Cms", "Bl", plan=plan)
    (turns,) = explain(estimates(short), targets, COIL)
    assert turns.code == "missing-turns"
    assert "about 12 of 152 turns missing" in turns.text
    (field,) = explain(estimates(plan.but(Bl=0.8)), targets, COIL)
    assert field.code == "weak-gap-field"
    tesla = 0.8 * plan.Bl / COIL.length_in_gap
    assert f"{tesla:.2f} T where {tesla / 0.8:.2f} T were meant" in field.text
    assert "the turns are there" in field.text


def test_turns_and_weak_field_at_once_are_not_passed_as_turns():
    findings = explain(estimates(PLAN.but(Re=0.9, Bl=0.9 * 0.75)), _targets(*PARTS))
    assert _codes(findings) == ["turns-or-wire", "weak-gap-field"]
    assert "part of it may be turns" in findings[1].text


class TestFreeAirAlone:
    """Without a mass take the groups that cannot be told apart are named, with what would tell."""

    @staticmethod
    def _explain(**change):
        return explain(estimates(PLAN.but(**change), names=FREE_AIR_ONLY), _targets(*ALONE))

    def test_mass_or_suspension(self):
        for change in ({"Cms": 0.7}, {"Mms": 0.7}):
            codes = {f.code: f.text for f in self._explain(**change)}
            text = codes["mass-or-suspension"]
            assert "Mms Cms lies 30 % below plan" in text
            assert "too stiff" in text
            assert "too light" in text
            assert "known mass" in text

    def test_turns_or_wire(self):
        findings = {f.code: f.text for f in self._explain(Re=0.88)}
        assert "12 % of the turns missing" in findings["turns-or-wire"]
        assert "wire 6.6 % thicker" in findings["turns-or-wire"]

    def test_weak_motor_or_mass(self):
        (finding,) = self._explain(Bl=0.8)
        assert finding.code == "weak-motor-or-mass"
        assert "Bl lies 20 % below plan" in finding.text

    def test_loss_beyond_what_the_resonance_brings(self):
        (finding,) = self._explain(Rms=2.0)
        assert finding.code == "high-mechanical-loss"
        assert "Rms is 100 % above plan" in finding.text
        # A softer suspension lowers both Qs with the resonance: no loss is claimed for that.
        assert "high-mechanical-loss" not in _codes(self._explain(Cms=1.7))


def test_total_q_alone_leads_to_the_field_when_mass_is_known():
    targets = _targets("Re", "fs", "Qts", "Mms")
    (finding,) = explain(estimates(PLAN.but(Bl=0.75)), targets)
    assert finding.code == "weak-gap-field"
    assert "by the target of Qts" in finding.text


def test_resonance_with_known_mass_but_no_target_of_a_part():
    (finding,) = explain(estimates(PLAN.but(Cms=0.62)), _targets("fs"))
    assert finding.code == "resonance-off"
    assert "fs would be 50.8 Hz if compliance rose to 0.7 mm/N" in finding.text


def test_a_missed_target_without_a_cause_says_so():
    level = PLAN.values()["sensitivity_1w"]
    (finding,) = explain(estimates(PLAN), [Target("sensitivity_1w", level + 3, lower=level + 2)])
    assert finding.code == "no-cause-found"
    assert "3.0 dB below plan" in finding.text
    assert "Bl, Mms, Re, Sd" in finding.text


def test_one_sided_targets_accuse_on_one_side_only():
    values = PLAN.values()
    targets = [Target("Mms", values["Mms"], upper=1.05 * values["Mms"])]
    assert explain(estimates(PLAN.but(Mms=0.8)), targets) == ()
    assert _codes(explain(estimates(PLAN.but(Mms=1.2)), targets)) == ["heavy-moving-parts"]


def test_shared_errors_of_bl_and_re_cancel_in_their_ratio():
    # A resistor known to 20 % moves Re by 20 % and Bl by 10 %: whether turns or wire cannot be
    # told by Bl alone then, though each lies outside.
    sources = {"resistor:x": {"Re": 0.02, "Bl": 0.01}, "random:y": {"fs": 0.001}}
    driver = PLAN.but(Re=0.8, Bl=0.8)
    found = explain(estimates(driver, names=("Re", "Bl"), sources=sources), _targets("Re", "Bl"))
    assert _codes(found) == ["missing-turns"]


@pytest.mark.parametrize(("change", "code", "said"), CAUSES)
def test_each_finding_says_what_it_rests_on_and_how_surely(change, code, said):
    (finding,) = explain(estimates(PLAN.but(**change)), _targets(*PARTS))
    before, _, _ = finding.text.partition(" Next: ")
    assert "Rests on: " in before
    assert "standard uncertainties." in before


def test_confidence_is_the_distance_from_the_limit():
    # Cms at 0.62 of plan with a limit at 0.9: 0.28/0.62 of it beyond, u = 0.8 % (mass, takes).
    (finding,) = explain(estimates(PLAN.but(Cms=0.62)), _targets(*PARTS))
    beyond = (0.9 / 0.62 - 1) / (0.0077**2 + 0.002**2) ** 0.5
    assert f"Cms is beyond its limit by {beyond:.2g} standard uncertainties" in finding.text


def test_every_finding_ends_with_a_step_and_has_no_stray_spaces():
    for change, _, _ in CAUSES:
        for finding in explain(estimates(PLAN.but(**change)), _targets(*PARTS)):
            assert "  " not in finding.text
            assert finding.text.rstrip().endswith((".", "!"))
            assert not finding.refuses


def test_an_estimate_outside_the_known_symbols_is_left_alone():
    parameters = {**estimates(PLAN), "L1": Estimate(1e-4, "H", {})}
    assert explain(parameters, _targets(*PARTS)) == ()


def test_turns_alone_are_enough_to_count_them():
    (finding,) = explain(estimates(PLAN.but(Re=0.88)), _targets("Re"), KnownCoil(turns=110))
    assert "about 13 of 110 turns missing" in finding.text


def test_a_coil_known_in_part_gives_no_target():
    assert KnownCoil(turns=110, layers=2).targets == ()
    assert KnownCoil(turns=110, layers=2).length_in_gap is None
    assert COIL.targets[0].parameter == "Re"


def test_a_coil_that_contradicts_itself_is_refused():
    impossible = KnownCoil(wire_diameter=0.2e-3, turns=3, layers=4, former_diameter=20e-3)
    with pytest.raises(UsageError, match="layer without a turn"):
        explain(estimates(PLAN), _targets("fs"), impossible)
