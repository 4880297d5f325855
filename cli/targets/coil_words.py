"""A coil as described on the command line: wires, former, gap, layers, turns or height."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from cli.words import units, values
from cli.words.values import Value
from meas.errors import UsageError

if TYPE_CHECKING:
    from fit.design.winding import Coil, Former, Gap
    from fit.design.wire import Metal, Wire
    from fit.given.measured import Stated

COIL_TEMPERATURE = replace(
    units.TEMPERATURE,
    name="coil temperature",
    largest=573.15,
    limits_unit="-30 C to 300 C",
    example="120C or 393K",
)


@dataclass(frozen=True)
class CoilWords:
    """Stated values of a coil; None or empty where nothing was said.

    Attributes:
        wire: ``0.2mm``, ``0.2mm/0.22mm`` (bare/overall) or ``AWG32``, one for each wire at hand.
        metal: ``copper`` or ``aluminium``.
        former: Outside diameter, on which the wire lies.
        turns: Turns in all layers together.
        height: Height of the winding.
        pole: Diameter of the pole.
        plate: Diameter of the hole in the plate.
        gap_height: Height of the plate.
    """

    wire: tuple[str, ...] = ()
    metal: str = "copper"
    former: Value | None = None
    former_thickness: Value | None = None
    layers: tuple[int, ...] = ()
    turns: int | None = None
    height: Value | None = None
    pole: Value | None = None
    plate: Value | None = None
    gap_height: Value | None = None


def metal(name: str) -> Metal:
    """The metal of that name."""
    from fit.design.wire import ALUMINIUM, COPPER

    return {known.name: known for known in (COPPER, ALUMINIUM)}[name]


def wire(text: str, of: Metal) -> Wire:
    """A wire by its bare diameter, by both diameters, or by its American gauge."""
    from fit.design.wire import awg, enamelled

    size, slash, overall_text = (part.strip() for part in text.partition("/"))
    gauge = size.upper().removeprefix("AWG").strip()
    if size.upper().startswith("AWG"):
        if not gauge.lstrip("-").isdigit():
            raise UsageError(
                f"'{size}' is no gauge",
                where="--wire",
                remedy="Write a whole number, such as AWG32.",
            )
        bare = awg(int(gauge))
    else:
        bare = values.length(size, "--wire").value
    if slash and not overall_text:
        raise UsageError(
            f"'{text}' has no diameter after the stroke",
            where="--wire",
            remedy="Write bare/overall, such as 0.2mm/0.22mm, or the bare diameter alone.",
        )
    overall = values.length(overall_text, "--wire").value if slash else None
    try:
        return enamelled(bare, of, overall)
    except UsageError as error:
        raise UsageError(error.what, where="--wire", remedy=error.remedy) from error


def wires(words: CoilWords) -> tuple[Wire, ...]:
    """The wires at hand, in the order given."""
    of = metal(words.metal)
    return tuple(wire(text, of) for text in words.wire)


def former(words: CoilWords) -> Former:
    """The former; its wall matters to the clearance only."""
    from fit.design.winding import Former

    if words.former is None:
        raise UsageError(
            "the former is not given",
            where="--former",
            remedy="Give its outside diameter, on which the wire lies, such as --former 20mm.",
        )
    diameter = words.former.value
    wall = 0.0
    if words.former_thickness is not None:
        wall = words.former_thickness.value
    elif words.pole is not None:
        raise UsageError(
            "the clearance to the pole needs the wall of the former",
            where="--former-thickness",
            remedy="Give it, glue and paper included, such as 0.12mm.",
        )
    return Former(diameter - 2 * wall, wall)


def gap(words: CoilWords) -> Gap | None:
    """The gap, where pole and plate are both given."""
    from fit.design.winding import Gap

    if words.pole is None and words.plate is None:
        return None
    if words.pole is None or words.plate is None:
        raise UsageError(
            "a gap has two sides",
            where="--plate" if words.plate is None else "--pole",
            remedy="Give the diameter of the pole and that of the hole in the plate.",
        )
    # The height does not matter to the clearance; 1 m stands for one that was not given.
    height = values.number(words.gap_height) or 1.0
    return Gap(words.pole.value, words.plate.value, height)


def stated(words: CoilWords) -> dict[str, Stated]:
    """Dimensions that were given with limits, by the names of `fit.design.coil_limits`.

    Raises:
        UsageError: If limits stand where they mean nothing.
    """
    from fit.given.measured import Stated

    found = {}
    for name, option, value in (
        ("former", "--former", words.former),
        ("wall", "--former-thickness", words.former_thickness),
        ("pole", "--pole", words.pole),
        ("plate", "--plate", words.plate),
        ("gap_height", "--gap-height", words.gap_height),
    ):
        if value is not None and value.half_width is not None:
            found[name] = Stated(value.value, value.half_width, name, f"{option} {value.written}")
    for option, given in (
        ("--wire", any("±" in text or "+-" in text for text in words.wire)),
        ("--height", words.height is not None and words.height.half_width is not None),
    ):
        if given:
            raise UsageError(
                "limits are not taken here",
                where=option,
                remedy="Wire has those of its standard, and turns are whole: leave them off.",
            )
    return found


def coil(words: CoilWords, of: Wire | None = None) -> Coil:
    """The one coil that the words describe.

    Args:
        of: The wire, where it is known from elsewhere.

    Raises:
        UsageError: If they describe none, or several.
    """
    from fit.design.winding import Coil, turns_in_height

    at_hand = wires(words) if of is None else (of,)
    for option, count, advice in (
        ("--wire", len(at_hand), "one wire, such as --wire 0.2mm"),
        ("--layers", len(words.layers), "one number of layers, such as --layers 4"),
    ):
        if count != 1:
            raise UsageError(
                f"a coil to be wound needs {advice}",
                where=option,
                remedy="To have several tried, wish for a resistance: --resistance 5.6ohm.",
            )
    if (words.turns is None) == (words.height is None):
        raise UsageError(
            "give either the turns or the height of the winding",
            where="--turns, --height",
            remedy="Such as --turns 152 (in all layers together) or --height 8.4mm.",
        )
    layers = words.layers[0]
    if words.turns is not None:
        return Coil(at_hand[0], former(words), layers, words.turns)
    height = words.height.value
    turns = turns_in_height(at_hand[0], layers, height)
    if turns < 1:
        raise UsageError(
            f"not one turn of {at_hand[0].overall * 1e3:.3g} mm fits {height * 1e3:.3g} mm",
            where="--height",
            remedy="Give more height or a thinner wire.",
        )
    return Coil(at_hand[0], former(words), layers, turns)
