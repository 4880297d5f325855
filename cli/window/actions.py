"""Actions of the window, each one command with some of its options.

The forms of the pages are made from this list, and what a window sends back is held against it:
nothing else can be asked for. Values are passed on as written; the command itself reads them.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from cli.window import folder
from meas.errors import UsageError

Sort = Literal["text", "choice", "switch", "yes", "file", "files"]
_LONGEST = 300
_MOST_FILES = 200


@dataclass(frozen=True)
class Field:
    """One option or argument of a command.

    Attributes:
        name: The option, such as ``--diameter``; without dashes it is an argument.
        label: What the form calls it.
        sort: ``file`` and ``files`` name what lies in the folder; the choices of a ``switch`` are
            options themselves.
        hint: An example, or what to mind.
        choices: For ``choice``: value and words.
        kinds: For files: kinds of entries that fit.
        of: For takes: what must have been taken; empty for anything.
        needed: Whether it must be given.
    """

    name: str
    label: str
    sort: Sort = "text"
    hint: str = ""
    choices: tuple[tuple[str, str], ...] = ()
    kinds: tuple[str, ...] = ()
    of: str = ""
    needed: bool = False


@dataclass(frozen=True)
class Action:
    """One command as a button.

    Attributes:
        words: Of the command.
        title: On the button.
        about: In a sentence or two.
        fields: What may be said.
        plays: Whether the bench sounds: its cautions come first.
        saves: Option for the file that it makes, the folder for it, its ending, and the field
            that it is named after.
    """

    words: tuple[str, ...]
    title: str
    about: str
    fields: tuple[Field, ...]
    plays: bool = False
    saves: tuple[str, str, str, str] | None = None


RIG = Field("--rig", "bench", "file", kinds=("rig",), needed=True)
_RIG_FILE = Field("RIG", "bench", "file", kinds=("rig",), needed=True)
UNIT = Field("UNIT", "name of the unit", hint="such as lantern-1", needed=True)
_KIND = Field(
    "--kind", "what it is", "choice",
    choices=(("driver", "a driver"), ("system", "a driver in its finished box"),
             ("part", "a passive part")),
)  # fmt: skip
_MASS = Field("--added-mass", "mass on the cone", hint="such as 7.5g or 7.5g±0.1g")
_BOX = Field("--test-box", "net volume of a test box", hint="such as 6.8L±0.1L")
_LABEL = Field("--label", "label", hint="your own words, such as after 12 h")
_SOURCES = Field(
    "TAKE", "takes and tables", "files", kinds=("take", "table"), of="driver", needed=True
)  # fmt: skip
_HELD = Field(
    "--held", "how the frame was held", "choice",
    choices=(("", "magnet down, as usual"), ("clamped", "clamped"), ("hand", "in a hand")),
)  # fmt: skip
_DIAMETER = Field(
    "--diameter", "cone diameter", hint="middle of the surround to middle, such as 118mm"
)
_WARMTH = Field("--air-temperature", "air temperature", hint="such as 21C")
_PRESSURE = Field("--air-pressure", "air pressure, or height of the place",
                  hint="at the bench, such as 985hPa; or above the sea, such as 340m")  # fmt: skip
_UNITS = Field(
    "UNITS", "takes or fits of the units", "files", kinds=("take", "fit"), of="driver", needed=True
)

ACTIONS: Mapping[str, Action] = {
    "rig-new": Action(
        ("rig", "new"), "Keep this bench", "Describes the bench in a file that you can edit.",
        (
            Field("FILE", "file", hint="such as bench.toml", needed=True),
            Field("--series-resistor", "series resistor", hint="such as 10ohm", needed=True),
            Field("--tolerance", "its tolerance", hint="such as 1%, or what a good meter promises"),
            Field("--amplifier", "what drives it", "choice", needed=True, choices=(
                ("", "choose"), ("none", "the card's own output, no amplifier"),
                ("grounded", "an amplifier whose minus terminal is ground"),
                ("bridged", "a bridged amplifier, or I am not sure"))),
            Field("--woofer", "woofers only: full drive at low frequencies too", "yes",
                  hint="Never for tweeters: low frequencies destroy them."),
            Field("--device", "sound device", hint="as listed below; simulated needs no hardware"),
            Field("--sample-rate", "sample rate", hint="such as 48000"),
            Field("--resistor-side", "resistor", "choice", choices=(
                ("hot", "between source and driver"), ("ground", "below the driver"))),
            Field("--source-input", "input on the source node", hint="counted from 1"),
            Field("--driver-input", "input on the driver", hint="counted from 1"),
            Field("--input-resistance", "resistance of the driver input", hint="such as 47kohm"),
            Field("--start", "lowest frequency", hint="such as 10Hz"),
            Field("--stop", "highest frequency", hint="such as 20kHz"),
            Field("--sweep-seconds", "length of one sweep in seconds", hint="such as 5"),
            Field("--mains", "mains", "choice", choices=(("50", "50 Hz"), ("60", "60 Hz"))),
        ),
    ),
    "rig-level": Action(
        ("rig", "level"), "Find a good level",
        "Plays short sweeps, gently first. Connect the driver as for a take.",
        (_RIG_FILE, Field("--set", "go up to the level found, and store it", "yes",
                          hint="Otherwise the level is only told.")), plays=True,
    ),
    "rig-tone": Action(
        ("rig", "level"), "Play the tone",
        "A tone for a multimeter across the driver. With its reading, takes state volts.",
        (_RIG_FILE, Field("--tone", "frequency of the tone", hint="such as 100Hz", needed=True),
         Field("--volts-at-driver", "what the multimeter read",
               hint="leave empty first; then such as 0.352V")), plays=True,
    ),
    "rig-calibrate": Action(
        ("rig", "calibrate"), "Measure this standard",
        "Each standard takes one error out of every later take.",
        (_RIG_FILE, Field("--standard", "standard", needed=True)), plays=True,
    ),
    "rig-check": Action(
        ("rig", "check"), "Check the bench",
        "A known resistor in the driver's place tells whether the bench measures right.",
        (_RIG_FILE, Field("--resistor", "the resistor", hint="such as 8.2ohm±1%", needed=True)),
        plays=True,
    ),
    "take": Action(
        ("take",), "Start the sweep", "One take of one unit.",
        (UNIT, RIG, _KIND, _MASS, _BOX, _LABEL,
         Field("--excitation", "excitation", "choice", choices=(
             ("", "as the bench says"), ("sweep", "sweeps"), ("multisine", "many tones at once"),
             ("stepped", "tone after tone, slow"))),
         Field("--repeats", "pairs of sweeps", hint="more in noisy places"),
         Field("--levels", "one take at each level", hint="such as 0.05,0.1,0.2; full scale is 1"),
         Field("--substitution", "one input only: known resistor",
               hint="such as 8.2ohm±1%; it is swept first, in the driver's place"),
         Field("--swap-seconds", "seconds to put the driver there", hint="such as 20"),
         Field("--source-resistance", "resistance of the output", hint="such as 1ohm±0.5ohm")),
        plays=True,
    ),
    "import": Action(
        ("import",), "Import this recording", "A two-channel recording made elsewhere.",
        (Field("RECORDING", "recording", "file", kinds=("recording",), needed=True), RIG,
         Field("--unit", "name of the unit", hint="such as lantern-1", needed=True),
         _KIND, _MASS, _BOX, _LABEL),
    ),
    "fit": Action(
        ("fit",), "Fit", "From what is ticked to parameters, with what limits each.",
        (_SOURCES, _DIAMETER,
         Field("--measured-re", "coil by multimeter", hint="such as 6.2ohm"),
         _HELD,
         Field("--moving-parts", "weighed moving parts", hint="such as 9.3g"), _WARMTH, _PRESSURE,
         Field("--relative-humidity", "relative humidity", hint="such as 45%"),
         Field("--targets", "judge against", "file", kinds=("targets",)),
         Field("--unit", "name, for tables")),
        saves=("--save", "fits", ".json", "--unit"),
    ),
    "levels": Action(
        ("levels",), "Follow the levels", "How the values change with the level of the drive.",
        (Field("TAKE", "takes at several levels", "files", kinds=("take",), of="driver",
               needed=True),
         _HELD),
    ),
    "compare": Action(
        ("compare",), "Compare",
        "What changed beyond its uncertainty. Each fit brings the air that was stated with it.",
        (Field("BEFORE", "before", "file", kinds=("fit",), needed=True),
         Field("AFTER", "after", "file", kinds=("fit",), needed=True)),
    ),
    "box-check": Action(
        ("box-check",), "See what it has become",
        "Sweep the finished box, driver wired alone, as a take of a driver in its finished box.",
        (Field("TAKE", "take of the box", "file", kinds=("take", "table"), of="system",
               needed=True),
         Field("--driver", "the driver in free air", "file", kinds=("fit",), needed=True),
         Field("--plan", "what was meant", "file", kinds=("plan",)),
         Field("vent", "vent", "switch", choices=(
             ("", "as planned"), ("--closed", "it has none"), ("--vented", "it has one"))),
         Field("--bore", "tube, inner diameter", hint="such as 50mm"),
         Field("--tube-length", "tube, length", hint="such as 110mm")),
    ),
    "part": Action(
        ("part",), "Measure the part",
        "An inductor, a capacitor or a resistor from takes of a passive part.",
        (Field("KIND", "what it is", "choice", needed=True, choices=(
            ("inductor", "inductor"), ("capacitor", "capacitor"), ("resistor", "resistor"))),
         Field("TAKE", "takes of the part", "files", kinds=("take", "table"), of="part",
               needed=True),
         Field("--back-to-back", "two polarised capacitors, equal poles joined", "yes")),
        saves=("--save", "parts", ".json", "KIND"),
    ),
    "polarity-reference": Action(
        ("polarity", "reference"), "Learn the input's polarity",
        "A cell through 100 kohm on the driver input, once for a bench.", (_RIG_FILE,), plays=True,
    ),
    "polarity-press": Action(
        ("polarity", "press"), "Listen to a press",
        "Press the cone in gently while it listens: that tells which terminal is plus.",
        (UNIT, RIG, Field("--pulled", "the cone is pulled out instead", "yes")), plays=True,
    ),
    "series-limits": Action(
        ("series", "limits"), "Derive limits",
        "From five good units or more: within which values the next one is good too.",
        (_UNITS, _DIAMETER, _WARMTH,
         Field("--coverage", "share of good units within", hint="such as 99%")),
        saves=("--save", "", ".toml", ""),
    ),
    "series-judge": Action(
        ("series", "judge"), "Judge one unit", "Inside, outside or undecided, and why.",
        (Field("UNIT", "takes or one fit of the unit", "files", kinds=("take", "fit"),
               of="driver", needed=True),
         Field("--limits", "limits", "file", kinds=("limits",), needed=True), _DIAMETER, _WARMTH),
    ),
    "series-pairs": Action(
        ("series", "pairs"), "Make pairs", "Those that differ least in level.",
        (_UNITS, _DIAMETER, _WARMTH),
    ),
    "series-summary": Action(
        ("series", "summary"), "Tell the spread", "How the units scatter, and what drifts.",
        (_UNITS, _DIAMETER, _WARMTH),
    ),
    "box-plan": Action(
        ("box",), "Keep this box as a plan", "For the day when it is built.",
        (Field("FIT", "fit", "file", kinds=("fit",), needed=True),
         Field("--vented", "vented", "yes"), Field("--volume", "net volume"),
         Field("--fb", "tuning"), Field("--ql", "leakage Q"), Field("--bore", "tube, bore"),
         Field("--drive", "drive"), Field("--xmax", "peak excursion it takes"),
         Field("--source-resistance", "resistance of amplifier and leads"),
         _WARMTH, _PRESSURE),
        saves=("--save", "plans", ".json", "FIT"),
    ),
}  # fmt: skip


LABELS = {
    field.name: field.label for one in ACTIONS.values() for field in one.fields if "-" in field.name
}
"""What forms call the options."""


def argv(name: str, said: Mapping[str, object]) -> tuple[str, ...]:
    """Make the command of an action from what a form said.

    Args:
        said: Field name to text, list of texts, or true.

    Raises:
        UsageError: If there is no such action or field, a value is missing, no text, or names a
            file outside the folder.
    """
    action = ACTIONS.get(name)
    if action is None:
        raise UsageError("there is no such action", where=name[:60])
    unknown = set(said) - {field.name for field in action.fields}
    if unknown:
        raise UsageError(f"{action.title} knows nothing of {', '.join(sorted(unknown))[:200]}")
    options: list[str] = []
    arguments: list[str] = []
    for field in action.fields:
        values = _values(field, said.get(field.name))
        if not values and field.needed:
            raise UsageError(f"{field.label} is missing", where=action.title)
        if field.sort in ("switch", "yes"):
            options += values
        elif not field.name.startswith("--"):
            arguments += values
        else:
            options += [word for value in values for word in _option(field.name, value)]
    if action.saves is not None:
        option, below, ending, after = action.saves
        stem = Path(_first(said.get(after)) or _unit_of(said) or name).stem
        options += [option, _new_file(below, stem, ending)]
    if action.words[0] in ("take", "import"):
        folder.inside("takes/x")
    if action.plays:
        options.append("--yes")
    dashes = ["--"] if any(one.startswith("-") for one in arguments) else []
    return (*action.words, *options, *dashes, *arguments)


def _values(field: Field, value: object) -> list[str]:
    """Read and check what a form said of a field; empty where it said nothing."""
    if not value:
        return []
    if field.sort == "yes":
        return [field.name] if value is True else []
    texts = value if isinstance(value, list) else [value]
    if len(texts) > (_MOST_FILES if field.sort == "files" else 1):
        raise UsageError("too many values", where=field.label)
    for text in texts:
        _check(field, text)
    return texts


def _check(field: Field, text: object) -> None:
    if not isinstance(text, str) or len(text) > _LONGEST or any(ord(c) < 32 for c in text):
        raise UsageError("is no line of text", where=field.label)
    if field.sort == "choice" and text not in dict(field.choices):
        raise UsageError(f"'{text}' cannot be chosen", where=field.label)
    if field.sort in ("file", "files") and not folder.inside(text).exists():
        raise UsageError("is not in the folder", where=text)
    if field.name == "FILE":
        folder.inside(text)
        if Path(text).suffix != ".toml" or text.startswith((".", "-")):
            raise UsageError("a bench is kept in a file that ends in .toml", where=field.label)


def _option(name: str, value: str) -> list[str]:
    """Write an option as one would type it; a value that looks like one must not become one."""
    return [f"{name}={value}"] if value.startswith("-") else [name, value]


def _new_file(below: str, stem: str, ending: str) -> str:
    if below:
        folder.inside(f"{below}/x")
        Path(below).mkdir(exist_ok=True)
    return folder.free_name(below, stem, ending)


def _unit_of(said: Mapping[str, object]) -> str:
    """Name the unit that a form is about: that of its first take."""
    for key in ("TAKE", "UNITS"):
        first = _first(said.get(key))
        if first:
            try:
                return folder.take(first).unit
            except UsageError:
                return first
    return ""


def _first(value: object) -> str:
    one = value[0] if isinstance(value, list) and value else value
    return one if isinstance(one, str) else ""
