"""Cautions about what can hurt someone or break something, and when to say them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING

from cli.terminal import ask, show
from meas.errors import UsageError

if TYPE_CHECKING:
    from fit.crossover.evaluate import NetworkResult
    from meas.bench.rig import Rig


@dataclass(frozen=True)
class Caution:
    """One caution.

    Attributes:
        title: A few words.
        text: What happens, and what to do instead.
        asks: True when the bench must not sound before someone has acknowledged it.
    """

    title: str
    text: str
    asks: bool = False


BRIDGED = Caution(
    "Bridged amplifier: no output terminal is ground",
    "Connecting either terminal to the card's ground, an input's sleeve included, shorts half of "
    "the amplifier. Use a differential or isolated (transformer) input for both channels, or "
    "leave the amplifier out: the headphone output and a larger resistor will do. An amplifier can "
    "also destroy an input by its level: start with the volume at its lowest. Mains-powered "
    "equipment: local codes and licensed practice come first.",
    asks=True,
)
AMPLIFIER = Caution(
    "Amplifier whose minus terminal is ground",
    "Most small class-D boards are bridged, whatever their terminals are called: make sure that "
    "this one's minus terminal really is ground before any input touches it. Its output can "
    "also destroy an input of the card: start with the volume at its lowest. Mains-powered "
    "equipment: local codes and licensed practice come first.",
    asks=True,
)
INPUT_LEVEL = Caution(
    "Inputs are delicate",
    "A line input takes about 1 to 2 V, a microphone input only millivolts, and its plug may "
    "carry a bias voltage. Use a line input, start low, raise slowly.",
)
GENTLE = Caution(
    "Low-frequency drive is held back",
    "Tweeters die from low frequencies, so the drive below {gentle:g} Hz stays at a tenth of the "
    "level. For a woofer, say so in the rig file (woofer = true, or rig new --woofer).",
)
WOOFER_ONLY = Caution(
    "Woofers only: full drive from {start:g} Hz up",
    "This rig is for woofers. Never sweep a tweeter with it: low frequencies destroy tweeters.",
)
HEARING = Caution(
    "A sweep is loud",
    "Keep your ear away from the cone and wear hearing protection when it has to be loud.",
)
MAGNET = Caution(
    "Magnet and mass",
    "The added mass must not be magnetic (brass, putty, coins that a magnet ignores) and has to "
    "sit tight near the voice coil. Strong magnets pinch fingers and disturb implants.",
)
TEST_BOX = Caution(
    "Test box",
    "Seal the driver all round and leave the box unlined. Do not press on the cone: a closed box "
    "pushes back.",
)
SAME_NODE = Caution(
    "Both inputs on the source node",
    "Move the driver input over to the source node, next to the source input, before the "
    "calibration plays. Move it back afterwards.",
    asks=True,
)
OPEN_END = Caution(
    "Nothing in the driver's place",
    "Take the driver off and keep the free ends of its leads apart, and away from ground. Where "
    "they touch, a short is measured; on the amplifier's own terminal they short it.",
    asks=True,
)
SHORT_HOT = Caution(
    "A short in the driver's place: the series resistor is the only load",
    "Bridge the driver's terminals at the end of their leads, behind the series resistor, with "
    "output and amplifier turned down. Never bridge the source node to ground: that shorts the "
    "output itself. The load is now {ohm}: is the output made for that, and can the resistor take "
    "the heat (U²/R)?",
    asks=True,
)
SHORT_GROUND = Caution(
    "A short in the driver's place: one slip shorts the output",
    "The driver's live lead is the output itself here. Bridge that lead to the node between "
    "driver and resistor, and never to ground: to ground the output is shorted and an amplifier "
    "may be destroyed. Wire it with everything turned down, then raise the level. The load is "
    "{ohm} alone: is the output made for that, and can the resistor take the heat (U²/R)?",
    asks=True,
)
KNOWN_RESISTOR = Caution(
    "A known resistor in the driver's place",
    "Take one without inductance (film, not wire-wound) of a few ohm, rated for the power that "
    "it will see, at the end of the driver's leads. It may get hot.",
    asks=True,
)
BACK_TO_BACK = Caution(
    "Polarised capacitors back to back",
    "Two in series with equal poles joined make half of one, without polarity. Each still sees "
    "the whole peak voltage while the other conducts. Rate each for the amplifier's peak, keep "
    "to its ripple current, and never let direct voltage stand on the pair. Overheated or "
    "reversed electrolytics vent hot, caustic electrolyte: eye protection, and no direct line "
    "to the vent. A bipolar or a film capacitor is the safer part.",
)
ELECTROLYTIC = Caution(
    "This loss is that of an electrolytic capacitor",
    "If it is polarised it must not be used alone for sound, which reverses it: it may vent. "
    "If it is two polarised ones back to back, say --back-to-back and mind their voltage and "
    "ripple current.",
)
LOW_LOAD = Caution(
    "The load falls below what the amplifier tolerates",
    "It may shut down, overheat or fail. Raise the impedance there (shunt arms draw the current), "
    "or keep the level down until it is raised.",
)
HOT_PART = Caution(
    "Parts that get hot",
    "A resistor at its rated power reaches 200 °C and more. Take at least twice the power that "
    "it will see, in free air, away from wood, damping wool and plastic. Long loud tones heat "
    "more than music does.",
)
SATURATION = Caution(
    "Inductors with a core saturate",
    "Above its limit of current a core lets the inductance collapse and distorts. Compare the "
    "peak current above with the part's rating, or measure it at several levels (freeair part "
    "inductor QUIET LOUD). Keep coils apart and at right angles.",
)
CELL = Caution(
    "A cell on the input",
    "One 1.5 V cell through 100 kohm, on a line input whose gain is turned down, and for a second "
    "only. Never on a microphone input (its plug may carry a bias voltage), never with an "
    "amplifier or a driver connected.",
    asks=True,
)
CELL_ON_DRIVER = Caution(
    "A cell on a driver",
    "One single 1.5 V cell, for a moment; never a 9 V block or a mains adapter. Never on a "
    "tweeter: direct current burns its coil and throws its dome. Never with the amplifier or a "
    "crossover connected. A coil that was disconnected may give a spark and a small shock.",
)
PRESS = Caution(
    "Press the cone gently",
    "With clean fingers near the voice coil, a millimetre or so; never a dome, never a tweeter "
    "without its maker's leave. Strong magnets pinch and disturb implants. Amplifier off or "
    "disconnected.",
)


def for_playing(rig: Rig) -> tuple[Caution, ...]:
    """Cautions before a bench plays; on a simulated one only those that ask, to be learnt."""
    found = for_rig(rig)
    if rig.card.is_simulated:
        return tuple(caution for caution in found if caution.asks)
    return found


def for_rig(rig: Rig) -> tuple[Caution, ...]:
    """Cautions that belong to a bench, most serious first."""
    amplifier = {"bridged": (BRIDGED,), "grounded": (AMPLIFIER,)}.get(rig.wiring.amplifier, ())
    drive = rig.drive
    if drive.woofer:
        low = replace(WOOFER_ONLY, title=WOOFER_ONLY.title.format(start=drive.start_hz))
    else:
        low = replace(GENTLE, text=GENTLE.text.format(gentle=drive.gentle_below_hz))
    return (*amplifier, INPUT_LEVEL, low, HEARING)


def for_condition(name: str) -> tuple[Caution, ...]:
    """Cautions that belong to what is done to the driver."""
    return {"added-mass": (MAGNET,), "test-box": (TEST_BOX,)}.get(name, ())


def for_standard(kind: str, rig: Rig) -> Caution:
    """The caution that belongs to a calibration standard; it asks."""
    plain = {"same-node": SAME_NODE, "open": OPEN_END, "resistor": KNOWN_RESISTOR}
    if kind in plain:
        return plain[kind]
    caution = SHORT_HOT if rig.wiring.resistor_side == "hot" else SHORT_GROUND
    ohm = rig.wiring.series_resistor_ohm
    load = "the series resistor" if ohm is None else f"{ohm:g} ohm"
    return replace(caution, text=caution.text.format(ohm=load))


def for_network(result: NetworkResult, *, paired: bool) -> list[Caution]:
    """Cautions that belong to a crossover.

    Args:
        paired: Whether polarised capacitors back to back are among the parts at hand.
    """
    parts = [named for one in result.solution.branches for named in one.branch.parts]
    found = []
    if result.verdict in ("outside", "undecided"):
        found.append(LOW_LOAD)
    if paired or any(named.back_to_back for named in parts):
        found.append(BACK_TO_BACK)
    if result.stresses is not None:
        if any(named.part.kind == "resistor" for named in parts):
            found.append(HOT_PART)
        if any(named.part.kind == "inductor" for named in parts):
            found.append(SATURATION)
    return found


def before_playing(file: Path, rig: Rig, *, yes: bool, also: Sequence[Caution] = ()) -> Rig:
    """Cautions before a bench plays; those of its amplifier wait for a yes once for every rig.

    Args:
        file: The rig's file, which remembers the yes.
        yes: The user has said ``--yes``, which counts for this time only.
        also: Cautions of what is about to be done; those that ask do so every time.

    Returns:
        The rig as its file has it now.

    Raises:
        UsageError: As `acknowledge`.
    """
    own = for_playing(rig)
    if rig.wiring.amplifier_known:
        own = tuple(replace(caution, asks=False) for caution in own)
    answered = acknowledge((*also, *own), yes=yes, brief=True, simulated=rig.card.is_simulated)
    if not answered or not any(caution.asks for caution in own):
        return rig
    from meas.bench import rig_file

    kept = {"amplifier_acknowledged": f"{rig.wiring.amplifier} {date.today().isoformat()}"}
    stored = rig_file.read(file)  # the rig at hand may have been changed for this one run
    wiring = stored.wiring.model_copy(update=kept)
    rig_file.update(file, stored.model_copy(update={"wiring": wiring}), since=stored)
    show.note(f"Kept in {file}: this is asked once for a bench.", "dim")
    return rig.model_copy(update={"wiring": rig.wiring.model_copy(update=kept)})


def acknowledge(
    cautions: Sequence[Caution], *, yes: bool, brief: bool = False, simulated: bool = False
) -> bool:
    """Show cautions; where one asks, wait for a yes.

    Args:
        brief: Only the titles of those that were shown in full when the rig was made.
        simulated: Nothing can break: titles in one line, the texts where they are asked for.

    Returns:
        Whether somebody has typed a yes.

    Raises:
        UsageError: If an answer is needed and there is no terminal, or the answer is no.
    """
    asking = [caution for caution in cautions if caution.asks]
    if simulated and cautions:
        titles = ". ".join(caution.title for caution in cautions)
        show.note(f"Simulated bench: nothing can break. A real one warns here. {titles}.", "yellow")
    else:
        print_cautions([caution for caution in cautions if caution.asks or not brief])
        reminders = [caution.title for caution in cautions if brief and not caution.asks]
        if reminders:
            show.note(f"Mind: {'; '.join(reminders)}.", "yellow")
    if yes or not asking:
        return False
    if not show.can_ask():
        if simulated:
            print_cautions(asking)
        titles = "; ".join(caution.title for caution in asking)
        raise UsageError(
            f"a caution has not been acknowledged: {titles}",
            remedy="Read it, check the wiring (freeair rig wiring FILE), then add --yes.",
        )
    why = " ".join(f"{caution.title}. {caution.text}" for caution in asking)
    if not ask.confirmed("Checked, and safe to go on?", why, default=None):
        raise UsageError(
            "stopped before anything was played", remedy="Run it again when the bench is ready."
        )
    return True


def print_cautions(cautions: Sequence[Caution]) -> None:
    """Print cautions on standard error."""
    for caution in cautions:
        style = "bold red" if caution.asks else "bold yellow"
        show.titled(f"Caution: {caution.title}", caution.text, style)
