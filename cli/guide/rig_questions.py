"""The bench of a guided session: questions whose answers are the options of ``rig new``."""

from __future__ import annotations

from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

from cli.guide import desk, plain_answers
from cli.sources.free_name import free_name
from cli.terminal import show
from cli.terminal.ask import Question, confirmed
from cli.words import values
from meas.bench.rig import SIMULATED
from meas.errors import FreeairError, UsageError

if TYPE_CHECKING:
    from cli.guide.state import GuidedSession
    from meas.bench.rig import Rig

# A tweeter is swept from well above a tenth of its resonance, and gently at first.
_TWEETER = ("--start", "100Hz", "--level", "0.05")


def describe(state: GuidedSession) -> GuidedSession:
    """Find a rig that suits the driver, or make one by asking."""
    driver = state.answers["driver"]
    for path in suitable(driver):
        why = "No asks about the bench; that file stays as it is."
        if confirmed(f"There is a bench in {path}. Measure with that one?", why):
            return state.after("rig", str(path))
    device = _device()
    amplifier, resistor = _asked_again(_AMPLIFIER, state), _asked_again(_resistor(driver), state)
    state = state.answered(amplifier=amplifier, resistor=resistor)
    words = ["--series-resistor", resistor, "--device", device]
    words += _unusual("--amplifier", amplifier, "none")
    if not confirmed("Usual wiring?", _USUAL_WIRING):
        words += _wiring()
    words += ["--woofer"] if driver == "woofer" else _TWEETER
    if driver == "tweeter" and device == SIMULATED:
        words += ["--simulate", "tweeter"]
    path = free_name(Path(), "bench", ".toml")
    desk.run("rig", "new", str(path), *words)
    show.note("")
    return state.after("rig", str(path))


def suitable(driver: str) -> list[Path]:
    """Rig files in this folder; for a tweeter none that drives low frequencies in full."""
    from meas.bench import rig_file

    found = []
    for path in sorted(Path().glob("*.toml")):
        try:
            rig = rig_file.read(path)
        except FreeairError:
            continue  # some other file, such as targets
        if suits(rig, driver):
            found.append(path)
    return found


def suits(rig: Rig, driver: str) -> bool:
    """Tell whether a bench may be used: what is made for woofers kills tweeters."""
    return driver == "woofer" or not rig.drive.woofer


def _asked_again(question: Question, state: GuidedSession) -> str:
    """The answer; Enter stands for the one given before."""
    before = state.answers.get("amplifier" if question is _AMPLIFIER else "resistor")
    return desk.asked(question if before is None else replace(question, default=before))


def _wiring() -> list[str]:
    """The options of ``rig new`` that say how a bench differs from the usual one."""
    words = _unusual("--resistor-side", desk.asked(_SIDE), "hot")
    source = desk.asked(_input("Input of the card on the source node", "--source-input", "1"))
    other = "2" if source == "1" else "1"
    words += _unusual("--source-input", source, "1")
    asked = _input("Input between resistor and driver", "--driver-input", other, source)
    words += _unusual("--driver-input", desk.asked(asked), "2")
    words += _unusual("--input-resistance", desk.asked(_LOADING), "")
    return words + _unusual("--mains", desk.asked(_MAINS), "50")


def _unusual(flag: str, value: str, usual: str) -> list[str]:
    """An option, unless it says what the command takes anyway."""
    return [] if value == usual else [flag, value]


_USUAL_WIRING = (
    "Yes means: source - resistor - driver - ground; input 1 (left) on the source node, input 2 "
    "(right) between resistor and driver; mains of 50 Hz. No asks for each of them. The picture "
    "that follows shows it."
)
_AMPLIFIER = Question(
    "What drives the bench?",
    "Most small class-D boards are bridged. Where you are not sure, say bridged: it costs a "
    "caution more and saves an amplifier.",
    "--amplifier",
    default="none",
    options={
        "none": "the card's own headphone or line output",
        "grounded": "an amplifier whose minus terminal is surely ground",
        "bridged": "an amplifier with a bridged output, or one you are not sure of",
    },
)


def _resistor(driver: str) -> Question:
    return Question(
        "Resistor in series with the driver, with its tolerance if you know it",
        "Every ohm and gram of the result stands on it, such as 10ohm or 10ohm 1%: best measured "
        f"with its leads. A few times the resistance of the {driver} spares a headphone output. An "
        "amplifier can do with less, and must not be able to cook it. 'freeair rig choose' works "
        "it out.",
        "--series-resistor",
        default="10ohm",
        check=lambda text: values.resistance(text, "resistor"),
        plain=partial(plain_answers.with_unit, "ohm"),
    )


_SIDE = Question(
    "Which way round are they?",
    "Hot suits nearly every bench. Ground keeps the driver input at a small voltage.",
    "--resistor-side",
    default="hot",
    options={
        "hot": "source - resistor - driver - ground",
        "ground": "source - driver - resistor - ground",
    },
)
_LOADING = Question(
    "Resistance of that input, if you know it",
    "A line input has 10 to 50 kohm (common practice) and loads the driver a little. Known, it is "
    "taken out.",
    "--input-resistance",
    optional=True,
    check=lambda text: values.resistance(text, "input"),
    plain=partial(plain_answers.with_unit, "kohm"),
)


def _mains(text: str) -> None:
    if text not in ("50", "60"):
        raise UsageError(f"'{text}' is no mains frequency", remedy="Write 50 or 60.")


_MAINS = Question(
    "Mains frequency where you live, Hz",
    "Hum is looked for there: 50 or 60.",
    "--mains",
    default="50",
    check=_mains,
    plain=lambda text: text.lower().removesuffix("hz").strip(),
)


def _input(text: str, flag: str, default: str, taken: str = "") -> Question:
    def check(answer: str) -> None:
        if not answer.isdecimal() or int(answer) < 1:
            raise UsageError(f"'{answer}' is no input", remedy="Inputs count from 1.")
        if answer == taken:
            raise UsageError(
                f"input {taken} is on the source node already", remedy="It takes two inputs."
            )

    return Question(
        text,
        "Inputs of a card count from 1; left is usually 1 and right is 2.",
        flag,
        default=default,
        check=check,
        plain=plain_answers.side_of_a_plug,
    )


def _device() -> str:
    """The sound device."""
    names = _devices()
    if names == [SIMULATED]:
        show.note("No sound device with two inputs was found: this is the simulated bench, to "
                  "learn on.")  # fmt: skip
        return SIMULATED
    numbered = {str(number): name for number, name in enumerate(names, start=1)}
    return numbered[
        desk.asked(
            Question(
                "Which sound device?",
                "The list is that of freeair rig devices, the most trustworthy way first. The "
                "simulated bench needs no hardware and hurts nobody.",
                "--device",
                default="1",
                options=numbered,
            )
        )
    ]


def _devices() -> list[str]:
    from meas.audio import soundcard

    found = []
    try:
        for one in soundcard.list_devices():
            if one.inputs >= 2 and one.outputs >= 1:
                found.append(one)
            elif one.inputs == 1:
                show.note(
                    f"{one.identity} has one input only: that takes another way, freeair take "
                    "--substitution.",
                    "dim",
                )
    except FreeairError as error:
        show.note(f"Sound devices cannot be listed: {error.in_words()}", "yellow")
    return [*(one.identity for one in found), SIMULATED]
