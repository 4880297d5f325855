"""The first sentence of a result."""

from __future__ import annotations

from dataclasses import replace

from driver_bench import SESSION
from every_figure import SPARK
from made_fits import fit_of

from cli.driver import mass_to_add
from cli.report.fit_words import headline, next_step, standing
from fit.results.judge import Target, Verdict, judge
from fit.results.result import DriverFit, Estimate
from meas.errors import Finding


def driver(**values: float) -> DriverFit:
    units = {"fs": "Hz", "Qts": "1", "Mms": "kg", "Vas": "m3"}
    return DriverFit("lossy", {k: Estimate(v, units[k], {}) for k, v in values.items()}, ())


def test_a_woofer_with_its_boxes() -> None:
    """Closed by Small 1972: Vas/((0.7071/0.41)^2 - 1) = 10.1 L, f3 = 48 Hz 0.7071/0.41 = 83 Hz."""
    said = headline(driver(fs=48.0, Qts=0.41, Mms=0.0132, Vas=0.020))
    assert said.startswith("48 Hz, Qts 0.41, 13 g: a woofer for 10 litres closed (f3 83 Hz) or ")
    assert "litres vented to 47 Hz" in said or "litres vented to 48 Hz" in said


def test_less_is_said_where_less_is_known() -> None:
    assert headline(driver(fs=1150.0, Qts=0.84)) == "1150 Hz, Qts 0.84: a tweeter."
    assert headline(driver(fs=48.0, Qts=1.2, Vas=0.02)) == "48 Hz, Qts 1.2: a woofer."
    assert headline(driver(fs=48.0)) == ""


def judged(**sides: float) -> tuple[Verdict, ...]:
    """Verdicts on targets with limits of 5 % by how many per cent a value lies off."""
    values = {k: Estimate(1.0 + off / 100, "1", {"random:a": 0.01}) for k, off in sides.items()}
    return judge(values, [Target(k, 1.0, 0.95, 1.05) for k in sides])


def test_what_misses_the_plan_and_why() -> None:
    stiff = Finding("stiff-suspension", "Cms is low", next_step="run it in.")
    assert (
        standing(judged(fs=10, Qts=20, Cms=-10, Mms=0, Bl=5), (stiff,))
        == "fs, Qts are above plan and Cms is below plan because the suspension is stiff; "
        "undecided: Bl."
    )
    assert standing(judged(Bl=5), ()) == "Undecided: Bl."
    assert standing(judged(Bl=0), ()) == "All targets that the takes can judge are met."
    assert standing((), (stiff,)) == ""
    assert next_step((Finding("other", "nothing"), stiff), ()) == "Next: run it in."
    assert next_step((), ()) == ""


def test_a_dome_is_to_be_weighed_and_not_loaded() -> None:
    """One piece of advice, as the guide gives it: a mass on a dome is rarely wise."""
    whole = fit_of(SPARK)
    known = {name: whole.parameters[name] for name in ("Re", "fs", "Qms", "Qes", "Qts")}
    found = mass_to_add.next_step(replace(whole, parameters=known), SESSION)
    assert found is not None
    assert "weigh its moving parts" in found.text and "--added-mass" not in found.text


def test_every_cause_of_the_diagnosis_is_half_a_sentence() -> None:
    from cli.report.fit_words import _BECAUSE
    from fit.diagnosis.causes import PHYSICS

    assert PHYSICS.keys() <= _BECAUSE.keys()
