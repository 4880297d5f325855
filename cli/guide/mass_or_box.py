"""The second condition of a guided session: a mass on the cone, or a box behind it."""

from __future__ import annotations

from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

from cli.driver import coins, mass_to_add
from cli.guide import desk, plain_answers
from cli.terminal import show
from cli.terminal.ask import SKIP, Question, Skipped, ask, confirmed, wait_until_ready
from cli.words import values
from meas.errors import UsageError

if TYPE_CHECKING:
    from cli.guide.state import GuidedSession

_FAR = 5.0
"""Factor off the proposed mass from which one asks back: cones of one size differ by less."""


def first(state: GuidedSession) -> GuidedSession:
    """A take with a mass or on a box, or neither."""
    diameter = desk.asked(
        Question(
            "Diameter of the cone, from mid-surround to mid-surround",
            "With a ruler, such as 118mm. It gives the area, and with that Vas and sensitivity; "
            "here it also tells which mass to try.",
            "--diameter",
            default=state.answers.get("diameter"),
            optional=True,
            check=lambda text: values.diameter(text, "diameter"),
            plain=plain_answers.length,
        )
    )
    state = state.answered(diameter=diameter)
    try:
        return _second_condition(state)
    except Skipped:
        return state.after("loaded")


def _second_condition(state: GuidedSession) -> GuidedSession:
    woofer = state.answers["driver"] == "woofer"
    how = desk.asked(
        Question(
            "How shall the moving mass be found?",
            "Free air alone gives Re, fs and the Qs. Mms, Bl, Cms and Vas need one thing more. On "
            "a dome a mass is rarely wise: weigh its moving parts before they are glued.",
            "--added-mass, --test-box",
            default="mass" if woofer else SKIP,
            options={
                "mass": "a known mass on the cone",
                "box": "a sealed box of known volume behind it",
                SKIP: "weighed parts, or not at all",
            },
        )
    )
    if how == SKIP:
        raise Skipped
    return _with_mass(state, "loaded") if how == "mass" else _with_box(state)


def _with_box(state: GuidedSession) -> GuidedSession:
    volume = desk.asked(
        Question(
            "Net volume of the box",
            "What is left with the driver in it, such as 6.8L or 6.8L±0.1L.",
            "--test-box",
            check=lambda text: values.volume(text, "volume"),
            plain=partial(plain_answers.with_unit, "L"),
            may_skip=True,
        )
    )
    wait_until_ready(
        "Enter when the driver is sealed on the box, front side out",
        "The same sweeps as in free air; a leak shows in them.",
        may_skip=True,
    )
    return state.after("loaded", *desk.take(state, "--test-box", volume))


def better_mass(state: GuidedSession) -> GuidedSession:
    """Another take with the mass that the first one speaks for."""
    wait_until_ready(
        "Enter to try that", "The take before counts too, so that nothing is lost.", may_skip=True
    )
    return _with_mass(state, "reload")


def _with_mass(state: GuidedSession, step: str) -> GuidedSession:
    free_hz = _resonance(state)
    proposed = state.answers.get("better_mass") or _proposal(state, free_hz)

    def check(text: str) -> None:
        kilograms = values.mass(text, "mass").value
        usual = values.mass(proposed, "mass").value if proposed else kilograms
        if kilograms > _FAR * usual or kilograms < usual / _FAR:
            why = f"It would shift the resonance far too much or too little: {proposed} is usual."
            if not confirmed(f"{text}, where about {proposed} is usual?", why, default=False):
                raise UsageError(f"{text} is not meant", remedy="Weigh once more.")

    mass = ask(
        Question(
            "Mass on the cone, as weighed",
            "Weigh what you put on, putty included, such as 7.5g; if you know how well your scales "
            "do, 7.5g±0.1g.",
            "--added-mass",
            default=proposed,
            check=check,
            plain=partial(plain_answers.with_unit, "g"),
            may_skip=True,
        )
    )
    wait_until_ready(
        "Enter when it sits tight and the driver is clamped as before",
        "The same sweeps as in free air; the mass has to lower the resonance.",
        may_skip=True,
    )
    made = desk.take(state, "--added-mass", mass)
    said, better = shift_words(free_hz, _peak_hz(made[-1]), values.mass(mass, "mass").value)
    show.note(said)
    return state.answered(better_mass=better).after(step, *made)


def _resonance(state: GuidedSession) -> float:
    """Resonance by the first fit; where there is none, by the curve."""
    from cli.sources import opened

    if not state.files("look"):
        return _peak_hz(state.files("free-air")[-1])
    _, fit = opened.fit(Path(state.files("look")[0]))
    return fit.parameters["fs"].value


def _peak_hz(folder: str) -> float:
    """Peak of |Z| of a take; the resonance for what it is needed for here."""
    from cli.pictures import take_picture
    from meas.takes import take as takes

    take = takes.load(Path(folder))
    tops = take_picture.resonances(take)
    if take.curve is None or not tops:
        raise UsageError("the take shows no resonance", where=folder, remedy="Take it again.")
    return float(take.curve.frequency_hz[tops[0]])


def _proposal(state: GuidedSession, free_hz: float) -> str | None:
    """Says which mass to try and why; the mass as one writes it, None where nothing is known."""
    from cli.words import assumed
    from meas.bench import rig_file

    if not state.answers.get("diameter"):
        show.note("Take about as much as the cone with its coil weighs: the resonance should fall "
                  "by 20 to 50 %.")  # fmt: skip
        return None
    diameter = values.diameter(state.answers["diameter"], "diameter")
    moving = mass_to_add.typical_mass(assumed.area_from_diameter(diameter).value)
    start_hz = rig_file.read(Path(desk.rig(state))).drive.start_hz
    found = mass_to_add.propose(free_hz, moving, start_hz)
    written = f"{1e3 * found.mass_kg:g}g"
    show.note(
        f"Try {written}: a cone of that size usually moves about {1e3 * moving:.2g} g, so the "
        f"resonance would fall from {free_hz:.3g} to about {found.lowered_hz:.2g} Hz. Anything "
        "that lowers it by 20 to 50 % will do."
    )
    if at_hand := coins.near(found.mass_kg):
        show.note(f"That is about {', or '.join(at_hand[:3])}; weigh what you take.")
    if not found.clear:
        show.note(
            f"That comes near the lowest frequency swept, {start_hz:g} Hz: set start_hz in the rig "
            "file lower, or take less.",
            "yellow",
        )
    return written


def shift_words(free_hz: float, loaded_hz: float, mass_kg: float) -> tuple[str, str]:
    """Say how well a mass did, and which would do better; empty where it is well chosen."""
    fell = 1 - loaded_hz / free_hz
    said = f"The mass lowered the resonance by {100 * fell:.0f} %"
    if mass_to_add.LEAST_SHIFT <= fell <= mass_to_add.MOST_SHIFT:
        return f"{said}: well chosen.", ""
    if fell <= 0:
        text = "The mass did not lower the resonance, as every mass must: did it sit tight?"
        return text, f"{1e3 * mass_kg:g}g"
    moving = mass_to_add.moving_mass(free_hz, loaded_hz, mass_kg)
    better = f"{1e3 * mass_to_add.propose(free_hz, moving, 0.0).mass_kg:g}g"
    which = "little to weigh by" if fell < mass_to_add.LEAST_SHIFT else "a lot: the cone may sag"
    return f"{said}, {which}. About {better} would tell more.", better
