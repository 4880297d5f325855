"""The steps of a guided session, in order. Each asks what its command needs, and runs it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

from cli.guide import desk, mass_or_box, plain_answers, rig_questions
from cli.sources.free_name import free_name
from cli.terminal import show
from cli.terminal.ask import Question, confirmed, wait_until_ready
from cli.terminal.open_page import has_desktop
from cli.words import values
from meas.errors import UsageError

if TYPE_CHECKING:
    from cli.guide.state import GuidedSession


@dataclass(frozen=True)
class Step:
    """Step of the guided session.

    Attributes:
        name: Name by which the session remembers it.
        text: What it is for and what to do with one's hands.
        act: Leads from the session before it to the session after it.
        may_skip: Whether a session makes sense without it.
        due: Whether it makes sense at all, by what the session knows.
    """

    name: str
    title: str
    text: str
    act: Callable[[GuidedSession], GuidedSession]
    may_skip: bool = False
    due: Callable[[GuidedSession], bool] = lambda _: True


def next_step(state: GuidedSession) -> Step | None:
    """The first step that is due and was neither done nor skipped; None at the end."""
    return next((step for step in STEPS if step.name not in state.done and step.due(state)), None)


def step_back(step: Step, state: GuidedSession) -> GuidedSession:
    """The session with the last step before this one to be done again; takes stay on disk."""
    before = [one.name for one in STEPS[: STEPS.index(step)] if one.name in state.done]
    if not before:
        show.note("This is the first step.")
        return state
    return state.before((before[-1], *RESTS_ON.get(before[-1], ())))


# What must be done again once the files of a step are gone.
RESTS_ON = {
    "rig": ("level", "calibrate", "check"),
    "free-air": ("look", "result"),
    "again": ("result",),
    "loaded": ("reload", "result"),
    "reload": ("result",),
}
ALL_TAKES = ("free-air", "again", "look", "loaded", "reload", "result")


def another_unit(state: GuidedSession) -> GuidedSession:
    """The next driver on the same bench."""
    kept = {name: answer for name, answer in state.answers.items() if name == "driver"}
    return state.before(("unit", *ALL_TAKES)).model_copy(update={"answers": kept})


def _unit(state: GuidedSession) -> GuidedSession:
    name = desk.asked(
        Question(
            "Name of this driver",
            "It names takes and report, such as lantern-1.",
            "UNIT",
            default=state.answers.get("unit"),
            check=_named,
        )
    )
    driver = desk.asked(
        Question(
            "What is it?",
            "Low frequencies destroy tweeters. If in doubt, it is a tweeter.",
            "--woofer",
            default=state.answers.get("driver"),
            options={
                "woofer": "a cone that bears full drive at low frequencies",
                "tweeter": "anything that does not: low frequencies are held back",
            },
        )
    )
    if state.answers.get("driver", driver) != driver:
        state = state.before(("rig", *RESTS_ON["rig"]))
    return state.answered(unit=name, driver=driver).after("unit")


def _named(text: str) -> None:
    if not any(letter.isalnum() for letter in text):
        raise UsageError(f"'{text}' names nothing", remedy="Use some letters, such as lantern-1.")
    if text.startswith("-"):
        raise UsageError(f"'{text}' looks like an option", remedy="Begin with a letter.")


def _level(state: GuidedSession) -> GuidedSession:
    wait_until_ready(
        "Enter when wired like this picture, output turned low",
        "Short sweeps, the first at a tenth of the level, show what both inputs hear. back goes to "
        "the questions about the bench.",
        may_skip=True,
    )
    store = state.answers["driver"] == "woofer" or confirmed(
        "Raise the level, in steps, to what suits the inputs?",
        "Quiet is safe for tweeters, and good enough while both inputs are said to be good. No "
        "leaves the level as it is. On the command line: --set.",
        default=False,
    )
    desk.run("rig", "level", desk.rig(state), *(["--set"] if store else []))
    return state.after("level", desk.rig(state))


def _calibrate(state: GuidedSession) -> GuidedSession:
    wait_until_ready(
        "Enter to see the wiring for this",
        "Both inputs on one node tell how they differ; that goes out of all that follows.",
        may_skip=True,
    )
    desk.run("rig", "calibrate", desk.rig(state), "--standard", "same-node")
    return state.after("calibrate", desk.rig(state))


def _check(state: GuidedSession) -> GuidedSession:
    known = desk.asked(
        Question(
            "Resistor of known value in the driver's place",
            "Take one of about the driver's own resistance, such as 8.2ohm±1%. What the bench "
            "reads of it proves wiring, levels and calibration in one go.",
            "--resistor",
            check=lambda text: values.resistance(text, "resistor"),
            plain=partial(plain_answers.with_unit, "ohm"),
            may_skip=True,
        )
    )
    wait_until_ready(
        "Enter when it is there, and the driver input between the two",
        "A sweep plays into the resistor.",
        may_skip=True,
    )
    desk.run("rig", "check", desk.rig(state), "--resistor", known)
    return state.after("check", desk.rig(state))


def _free_air(state: GuidedSession) -> GuidedSession:
    wait_until_ready(
        "Enter when the driver is in place and both inputs are as in the picture",
        "Two sweeps up and two down play, some twenty seconds in all.",
    )
    return state.after("free-air", *desk.take(state))


def _again(state: GuidedSession) -> GuidedSession:
    wait_until_ready(
        "Enter when it is clamped anew",
        "The difference between the two takes is how well the driver repeats.",
        may_skip=True,
    )
    return state.after("again", *desk.take(state))


def _look(state: GuidedSession) -> GuidedSession:
    saved = free_name(Path(), f"{state.answers['unit']}-free-air", ".json")
    desk.run("fit", *state.files("free-air", "again"), "--save", str(saved))
    return state.after("look", str(saved))


def _result(state: GuidedSession) -> GuidedSession:
    beside = _beside(state)
    unit = state.answers["unit"]
    saved, page = (free_name(Path(), unit, ending) for ending in (".json", ".html"))
    takes = state.files("free-air", "again", "loaded", "reload")
    shown = ["--open"] if has_desktop() else []
    desk.run("fit", *takes, *beside, "--save", str(saved), "--report", str(page), *shown)
    return state.after("result", str(saved), str(page))


def _beside(state: GuidedSession) -> list[str]:
    """Other measured values, as options of ``fit``."""
    words: list[str] = []
    for question in (*_BESIDE, *(_WEIGHED if not state.files("loaded") else ())):
        answer = desk.asked(question)
        if answer:
            words += [question.flag, answer]
    if state.answers.get("diameter"):
        words += ["--diameter", state.answers["diameter"]]
    return words


def _file(text: str) -> None:
    if not Path(text).is_file():
        raise UsageError(f"there is no file '{text}'", remedy="Enter alone goes on without.")


_BESIDE = (
    Question(
        "How was the frame held?",
        "It moves against the cone, which lifts the resonance; the better it is held, the less.",
        "--held",
        default="magnet-down",
        options={
            "clamped": "to something heavy",
            "magnet-down": "on its magnet, on a table",
            "hand": "in a hand",
        },
    ),
    Question(
        "Coil resistance by multimeter",
        "Less the resistance of its leads, such as 5.9ohm. Nothing else shows a wrong resistor, or "
        "one forgotten across the driver.",
        "--measured-re",
        optional=True,
        check=lambda text: values.resistance(text, "resistance"),
        plain=partial(plain_answers.with_unit, "ohm"),
    ),
    Question(
        "Air temperature",
        "Such as 21C. Without it a heated room is assumed.",
        "--air-temperature",
        optional=True,
        check=lambda text: values.temperature(text, "temperature"),
        plain=partial(plain_answers.with_unit, "C"),
    ),
    Question(
        "Air pressure at the bench, or its altitude",
        "Such as 985hPa, as it is there and not reduced to sea level, or 300m above the sea. It "
        "goes straight into Vas; without it sea level is assumed.",
        "--air-pressure",
        optional=True,
        check=lambda text: values.pressure(text, "pressure"),
        plain=plain_answers.pressure,
    ),
    Question(
        "Targets file, if there is one",
        "What the driver was meant to be; freeair targets new FILE makes one.",
        "--targets",
        optional=True,
        check=_file,
    ),
)
_WEIGHED = (
    Question(
        "Weight of the moving parts, if you have weighed them",
        "Cone, coil, former and half of the suspension, such as 9.3g.",
        "--moving-parts",
        optional=True,
        check=lambda text: values.mass(text, "mass"),
        plain=partial(plain_answers.with_unit, "g"),
    ),
)

STEPS = (
    Step("unit", "The driver", "First, what is going to be measured.", _unit),
    Step(
        "rig",
        "The bench",
        "One known resistor in series with the driver; one input of the card before it, one "
        "between the two. A few questions, then a picture of the wiring.",
        rig_questions.describe,
    ),
    Step(
        "level",
        "Level",
        "Wire it as in the picture, with the output turned right down. Short sweeps, quiet at "
        "first, show whether both inputs hear enough and not too much.",
        _level,
        may_skip=True,
    ),
    Step(
        "calibrate",
        "Calibration",
        "No two inputs are alike. With both on one node their difference is measured once and "
        "taken out of everything that follows.",
        _calibrate,
        may_skip=True,
    ),
    Step(
        "free-air",
        "Free air",
        "Hold the frame firmly, cone upright as it will work, vents free, nothing near it, and "
        "keep quiet while it sweeps.",
        _free_air,
    ),
    Step(
        "again",
        "Free air again",
        "Loosen the driver, clamp it anew, sweep again: only that shows how well it repeats.",
        _again,
        may_skip=True,
    ),
    Step(
        "check",
        "Proof",
        "Who has a second resistor whose value is known can have the bench prove itself on it: put "
        "it in the driver's place. Without one: skip.",
        _check,
        may_skip=True,
    ),
    Step("look", "A first look", "What free air alone can tell.", _look, may_skip=True),
    Step(
        "loaded",
        "Mass or box",
        "A second condition turns curves into grams and litres. A mass has to sit tight near the "
        "coil, spread evenly so that the cone does not tilt, and must not be magnetic. Take a ring "
        "of putty, or coins that a magnet ignores. Clamp the frame as before.",
        mass_or_box.first,
        may_skip=True,
    ),
    Step(
        "reload",
        "Another mass",
        "A take with a mass that shifts the resonance by 20 to 50 % tells the moving mass better. "
        "The take before counts too.",
        mass_or_box.better_mass,
        may_skip=True,
        due=lambda state: bool(state.answers.get("better_mass")),
    ),
    Step(
        "result",
        "Result and report",
        "All takes together, with whatever else you have measured. Enter alone goes on without.",
        _result,
    ),
)
