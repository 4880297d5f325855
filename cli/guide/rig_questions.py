"""The bench of a guided session: questions whose answers are the options of ``rig new``."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from cli.guide import desk
from cli.guide.ask import Question, ask, confirmed
from cli.terminal import show
from cli.words import values
from meas.errors import FreeairError, UsageError

if TYPE_CHECKING:
    from cli.guide.state import State
    from meas.bench.rig import Rig

SIMULATED = "simulated"
# A tweeter is swept from well above a tenth of its resonance, and gently at first.
_TWEETER = ("--start", "100Hz", "--level", "0.05")


def describe(state: State) -> State:
    """Find a rig that suits the driver, or make one by asking."""
    driver = state.answers["driver"]
    for path in suitable(driver):
        if confirmed(f"There is a bench in {path}. Measure with that one?"):
            return state.after("rig", str(path))
    while True:
        path = desk.fresh("bench", ".toml")
        desk.run("rig", "new", str(path), *_words(driver))
        show.note("")
        if confirmed(
            "Is it wired like this picture?",
            why="No lets you answer the questions about the bench again; this file stays as it is.",
        ):
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
    """Whether a bench may be used: what is made for woofers kills tweeters."""
    return driver == "woofer" or not rig.drive.woofer


def _words(driver: str) -> list[str]:
    """The options of ``rig new``, one question each."""
    device = _device()
    amplifier = ask(_AMPLIFIER)
    resistor = ask(
        Question(
            "Resistor in series with the driver",
            "--series-resistor",
            default="22ohm" if amplifier == "none" else "10ohm",
            check=lambda text: values.resistance(text, "resistor"),
            why="Every ohm and gram of the result stands on it: best measured with its leads. "
            "A few times the driver's resistance spares a headphone output; an amplifier can do "
            "with less, and must not be able to cook it. freeair rig choose works it out.",
        )
    )
    words = ["--series-resistor", resistor, "--device", device]
    if "±" not in resistor and "+-" not in resistor:
        words += _unusual("--tolerance", ask(_TOLERANCE), "1%")
    words += _unusual("--resistor-side", ask(_SIDE), "hot")
    source = ask(_input("Input of the card on the source node", "--source-input", "1"))
    other = "2" if source == "1" else "1"
    words += _unusual("--source-input", source, "1")
    asked = _input("Input between resistor and driver", "--driver-input", other, source)
    words += _unusual("--driver-input", ask(asked), "2")
    words += _unusual("--input-resistance", ask(_LOADING), "")
    words += _unusual("--mains", ask(_MAINS), "50")
    words += _unusual("--amplifier", amplifier, "none")
    return words + (["--woofer"] if driver == "woofer" else list(_TWEETER))


def _unusual(flag: str, value: str, usual: str) -> list[str]:
    """An option, unless it says what the command takes anyway."""
    return [] if value == usual else [flag, value]


_AMPLIFIER = Question(
    "What drives the bench?",
    "--amplifier",
    default="none",
    options={
        "none": "the card's own headphone or line output",
        "grounded": "an amplifier whose minus terminal is surely ground",
        "bridged": "an amplifier with a bridged output, or one you are not sure of",
    },
    why="Most small class-D boards are bridged. Where you are not sure, say bridged: it costs a "
    "caution more and saves an amplifier.",
)
_TOLERANCE = Question(
    "Its tolerance",
    "--tolerance",
    default="1%",
    check=lambda text: values.percent(text, "tolerance"),
    why="What its maker or your meter promises. It goes into every uncertainty.",
)
_SIDE = Question(
    "Which way round are they?",
    "--resistor-side",
    default="hot",
    options={
        "hot": "source - resistor - driver - ground",
        "ground": "source - driver - resistor - ground",
    },
    why="Hot suits nearly every bench. Ground keeps the driver input at a small voltage.",
)
_LOADING = Question(
    "Resistance of that input, if you know it",
    "--input-resistance",
    default="",
    check=lambda text: values.resistance(text, "input"),
    why="A line input has 10 to 50 kohm (common practice) and loads the driver a little. Known, "
    "it is taken out.",
)


def _mains(text: str) -> None:
    if text not in ("50", "60"):
        raise UsageError(f"'{text}' is no mains frequency", remedy="Write 50 or 60.")


_MAINS = Question(
    "Mains frequency where you live, Hz",
    "--mains",
    default="50",
    check=_mains,
    why="Hum is looked for there: 50 or 60.",
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
        flag,
        default=default,
        check=check,
        why="Inputs of a card count from 1; left is usually 1 and right is 2.",
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
        ask(
            Question(
                "Which sound device?",
                "--device",
                default="1",
                options=numbered,
                why="The list is that of freeair rig devices, the most trustworthy way first. The "
                "simulated bench needs no hardware and hurts nobody.",
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
        show.note(f"Sound devices cannot be listed: {error}", "yellow")
    return [*(one.identity for one in found), SIMULATED]
