"""``freeair rig calibrate``: one known thing in the driver's place, measured into the rig."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from cli.terminal import show
from cli.words.options import Yes, flag, option
from meas.errors import UsageError

if TYPE_CHECKING:
    from meas.correction.calibration import What

STANDARDS = "same-node | open | short | resistor=8.2ohm"
# Film resistors with short leads have a tenth of a microhenry, wire-wound ones of some ohm a few
# microhenry (common practice, no source).
DEFAULT_INDUCTANCE_H = 1e-6


def calibrate(
    file: Annotated[Path, typer.Argument(metavar="FILE", help="Rig file; gets the standard.")],
    standard: str = option(
        "S",
        "same-node (both inputs on the source node), open, short, or resistor=8.2ohm±1% "
        "in the driver's place.",
        default="same-node",
    ),
    inductance: str | None = option(
        "L", "Most inductance the known resistor may have, such as 0.2uH."
    ),
    only: bool = flag("--only", "Forget the standards measured before."),
    yes: Yes = False,
) -> None:
    """Measure one standard and store it in the rig; each one takes out more.

    Begin with same-node, which takes out how the two inputs differ. Short, open and a known
    resistor add leads, loading and the tolerance of the series resistor. The picture shows what
    to connect; afterwards it is said what remains.

    \b
    freeair rig calibrate bench.toml --standard same-node --yes
    freeair rig calibrate bench.toml --standard resistor=8.2ohm±0.1% --yes
    """
    from cli.bench import audio_path, take_record
    from cli.pictures import wiring
    from cli.rig import calibration_words
    from cli.terminal import cautions
    from meas.bench import rig_file
    from meas.correction import calibration
    from meas.takes.standard import measure_standard

    what = read_standard(standard, inductance)
    rig = rig_file.read(file)
    stored = rig.calibration
    if only:
        rig = rig.model_copy(update={"calibration": None})
    same_node = what.kind == "same-node"
    place = calibration_words.PLACE[what.kind].format(ohm=what.resistance_ohm)
    show.note(wiring.as_text(wiring.describe(rig.wiring, same_node=same_node, place=place)))
    rig = cautions.before_playing(file, rig, yes=yes, also=[cautions.for_standard(what.kind, rig)])
    audio = audio_path.open_path(
        rig, standard=what.resistance_ohm if what.kind == "resistor" else what.kind
    )
    played = audio_path.play(audio, rig, "calibrating")
    played.refuse_unsound("calibration")
    capture = played.capture
    measured = measure_standard(
        capture.samples,
        capture.sample_rate_hz,
        rig,
        audio_path.device_name(rig),
        take_record.now(),
        what,
    )
    joined, left = calibration.join(rig, measured)
    as_read = rig.model_copy(update={"calibration": stored})
    rig = rig_file.store_calibration(file, rig, joined, since=as_read)
    show.say(calibration_words.describe(measured))
    for earlier in left:
        show.note(
            f"Dropped: {earlier.words} of {earlier.taken_at[:16]}; it belongs to another rate, "
            "device, resistor or pair of inputs.",
            "yellow",
        )
    for sentence in calibration_words.remaining(rig):
        show.say(show.hanging(sentence))
    show.note(calibration_words.AFTERWARDS[what.kind], "bold yellow")


def read_standard(standard: str, inductance: str | None) -> What:
    """The standard that somebody wrote.

    Raises:
        UsageError: If there is no such standard, or its value cannot be read.
    """
    from cli.words import assumed, values
    from meas.correction.calibration import What

    kind, _, value = standard.partition("=")
    if inductance is not None and kind != "resistor":
        raise UsageError(
            f"an inductance means nothing with {kind}",
            where="--inductance",
            remedy="It belongs to --standard resistor=...",
        )
    if kind == "resistor" and value:
        known, said = assumed.bought_resistor(values.resistance(value, "--standard resistor"))
        show.default_taken(said)
        percent = 100 * (known.half_width or 0.0) / known.value
        henry = DEFAULT_INDUCTANCE_H
        if inductance is None:
            show.default_taken(f"inductance of the known resistor: at most {1e6 * henry:g} uH")
        else:
            henry = values.inductance(inductance, "--inductance").value
        return What("resistor", known.value, percent, henry)
    if value == "" and kind in ("same-node", "open", "short"):
        return What(kind)  # type: ignore[arg-type]  # one of the literals, as just seen
    raise UsageError(
        f"'{standard}' is no standard known here",
        where="--standard",
        remedy=f"One of: {STANDARDS}.",
    )
