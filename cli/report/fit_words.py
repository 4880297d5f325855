"""Words for a fit: driver, plan and next step in three sentences; what would narrow its values."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from cli.terminal.sections import Listed, Section
from fit.results.numbers import significant
from fit.results.quantities import capitalised, shown

if TYPE_CHECKING:
    from fit.results.judge import Verdict
    from fit.results.result import DriverFit
    from fit.uncertainty.advice import Advice, Gain
    from meas.errors import Finding

USUAL = frozenset(
    {"Re", "Le", "fs", "Qms", "Qes", "Qts", "Mms", "Cms", "Bl", "Vas", "Sd", "sensitivity_2v83"}
)
"""The values that people use; the others are shown on request."""
_ASKED_FIRST = ("Re", "fs", "Qts", "Mms", "Bl", "Vas")
_BECAUSE = {
    "stiff-suspension": "the suspension is stiff",
    "soft-suspension": "the suspension is soft",
    "heavy-moving-parts": "the moving parts are heavy",
    "light-moving-parts": "the moving parts are light",
    "missing-turns": "turns are missing",
    "surplus-turns": "the coil has too many turns",
    "wrong-wire": "the wire is another one",
    "turns-or-wire": "turns or wire are not as planned",
    "weak-gap-field": "the field in the gap is weak",
    "strong-gap-field": "the field in the gap is strong",
    "high-mechanical-loss": "something brakes the cone",
    "low-mechanical-loss": "the suspension loses less than planned",
    "closed-former-or-viscous": "a closed former or a damping fluid brakes the cone",
    "lossy-suspension": "the material of the suspension loses much",
    "mass-or-suspension": "suspension or moving mass is off",
    "weak-motor-or-mass": "motor or moving mass is off",
    "strong-motor-or-mass": "motor or moving mass is off",
}
"""Causes of the diagnosis by their codes, as half a sentence."""


def sentences(
    fit: DriverFit, verdicts: Sequence[Verdict], causes: Sequence[Finding], advice: Sequence[Advice]
) -> str:
    """Say the result as it begins in the terminal and on its page."""
    said = headline(fit), standing(verdicts, causes), next_step(causes, advice)
    return " ".join(filter(None, said))


def headline(fit: DriverFit) -> str:
    """``48 Hz, Qts 0.41, 13 g: a woofer for 8.1 litres closed (f3 82 Hz) or ...``.

    Boxes are named where the takes tell Vas; what Qts and Vas leave open is in their own rows.
    """
    from fit.box.suggest import suggest

    found = fit.parameters
    if not {"fs", "Qts"} <= found.keys():
        return ""
    figures = [f"{_short(found['fs'].value)} Hz", f"Qts {significant(found['Qts'].value, 2)}"]
    if "Mms" in found:
        grams = 1e3 * found["Mms"].value
        figures.append(f"{significant(grams, 2)} g")
    use = suggest(found)
    boxes = []
    if use.closed is not None:
        boxes.append(f"{_litres(use.closed.volume)} closed (f3 {_short(use.closed.f3)} Hz)")
    if use.vented is not None:
        tuning, reach = _short(use.vented.fb), _short(use.vented.f3)
        boxes.append(f"{_litres(use.vented.volume)} vented to {tuning} Hz (f3 {reach} Hz)")
    text = f"{', '.join(figures)}: a {use.kind}"
    return f"{text} for {' or '.join(boxes)}." if boxes else f"{text}."


def standing(verdicts: Sequence[Verdict], causes: Sequence[Finding]) -> str:
    """``fs is above plan because the suspension is stiff.``; empty without targets."""
    sides: dict[str, list[str]] = {"above plan": [], "below plan": [], "undecided": []}
    for one in verdicts:
        if one.estimate is None or one.verdict == "inside":
            continue
        side = "undecided"
        if one.verdict == "outside":
            side = "above plan" if one.estimate.value > one.target.target else "below plan"
        sides[side].append(shown(one.target.parameter, one.estimate.unit).symbol)
    unsure = sides.pop("undecided")
    missed = " and ".join(
        f"{', '.join(names)} {'is' if len(names) == 1 else 'are'} {side}"
        for side, names in sides.items()
        if names
    )
    why = next((_BECAUSE[one.code] for one in causes if one.code in _BECAUSE), "")
    said = [f"{missed}{f' because {why}' if why else ''}"] if missed else []
    said += [f"undecided: {', '.join(unsure)}"] if unsure else []
    if not said and any(one.estimate is not None for one in verdicts):
        said = ["all targets that the takes can judge are met"]
    text = "; ".join(said)
    return f"{text[:1].upper() if not missed else text[:1]}{text[1:]}." if text else ""


def next_step(causes: Sequence[Finding], advice: Sequence[Advice]) -> str:
    """Say what to do next: the first step of a cause, else what narrows intervals most cheaply."""
    step = next((one.next_step for one in causes if one.next_step), "")
    if not step:
        step = next(iter(helping(advice)), "")
    return f"Next: {step[:1].lower()}{step[1:].rstrip('.')}." if step else ""


def limits(advice: Sequence[Advice]) -> list[Section]:
    """Say what limits the quantities that people ask for first, each with its shares."""
    causes = [
        f"{one.parameter} {one.reach()}: {one.limits}"
        for one in advice
        if one.parameter in _ASKED_FIRST and one.limits
    ]
    return [Section("What limits them", (Listed(causes),))] if causes else []


def steps(advice: Sequence[Advice]) -> list[Section]:
    """List the steps that narrow intervals, an item each, then those that would not, each once."""
    idle = dict.fromkeys(one.useless.words for one in advice if one.useless is not None)
    worth = [
        f"{capitalised(words)}: {', '.join(found)}." for words, found in helping(advice).items()
    ]
    not_worth = [f"{capitalised(words)}: no value would be known better." for words in idle]
    named = {"What would narrow the intervals": worth, "Not worth doing": not_worth}
    return [Section(title, (Listed(items),)) for title, items in named.items() if items]


def helping(advice: Sequence[Advice]) -> dict[str, list[str]]:
    """Order steps by what they narrow, added up over quantities, each with its effects."""
    found: dict[str, list[str]] = {}
    gains: dict[str, float] = {}
    for one in advice:
        if (step := one.cheapest) is not None:
            found.setdefault(step.words, []).append(_effect(one, step))
            gains[step.words] = gains.get(step.words, 0.0) + step.gain
    return dict(sorted(found.items(), key=lambda step: -gains[step[0]]))


def _effect(one: Advice, gain: Gain) -> str:
    symbol = shown(one.parameter, one.estimate.unit).symbol
    return f"{symbol} {one.reach()} becomes {one.reach(gain.standard_uncertainty)}"


def _short(hertz: float) -> str:
    return significant(hertz, 2 if hertz < 100 else 3)


def _litres(volume: float) -> str:
    return f"{significant(1e3 * volume, 2)} litres"
