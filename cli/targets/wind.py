"""``freeair wind``: the coil before it is wound, and which coil to wind."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import typer

from cli.targets.coil_words import COIL_TEMPERATURE
from cli.terminal import show
from cli.words import units, values
from cli.words.options import AsJson, Report, flag, one_of, option, valued
from cli.words.values import Value
from meas.errors import UsageError, refusals

if TYPE_CHECKING:
    from cli.targets.coil_words import CoilWords
    from fit.design.winding import Coil, Gap
    from fit.design.wire import Identified, Wire

_HOT_K = 373.15

METAL = typer.Option(
    "copper",
    help="Metal of the wire.",
    **one_of(("copper", "aluminium"), "metal of winding wire", "--metal"),
)
FORMER = valued(units.LENGTH, "--former", "D", "Outside diameter of the former, such as 20mm.")
LAYERS = option("N", "Layers; repeat for several to try (default then: 2, 4, 8).")
TURNS = option("N", "Turns in all layers together.")
GAP_HEIGHT = valued(units.LENGTH, "--gap-height", "H", "Height of the plate at the gap.")


def wind(
    wire: list[str] | None = option(
        "D", "Bare diameter 0.2mm, bare/overall 0.2mm/0.22mm, or AWG32; repeat for several at hand."
    ),
    metal: str = METAL,
    former: Value | None = FORMER,
    former_thickness: Value | None = valued(
        units.LENGTH, "--former-thickness", "T", "Wall of the former, paper and glue included."
    ),
    metal_former: bool = flag("--metal-former", "The former conducts."),
    layers: list[int] | None = LAYERS,
    turns: int | None = TURNS,
    height: Value | None = valued(
        units.LENGTH, "--height", "H", "Height of the winding; with --resistance the most it may."
    ),
    pole: Value | None = valued(
        units.LENGTH, "--pole", "D", "Diameter of the pole inside the coil."
    ),
    plate: Value | None = valued(
        units.LENGTH, "--plate", "D", "Diameter of the hole in the plate around it."
    ),
    gap_height: Value | None = GAP_HEIGHT,
    resistance: Value | None = valued(
        units.RESISTANCE, "--resistance", "R", "Wished at 20 C: which coils can be wound?"
    ),
    at_least: bool = flag("--at-least", "No wire within its limits may give less than R."),
    temperature: Value | None = valued(
        COIL_TEMPERATURE, "--temperature", "T", "Temperature of the hot coil. Default 100C."
    ),
    power: Value | None = valued(units.POWER, "--power", "P", "Lasting power, such as 10W."),
    sample_length: Value | None = valued(
        units.LENGTH, "--sample-length", "L", "Unknown wire: a piece of this length ..."
    ),
    sample_resistance: Value | None = valued(
        units.RESISTANCE, "--sample-resistance", "R", "... and this resistance, leads taken off ..."
    ),
    sample_overall: Value | None = valued(
        units.LENGTH, "--sample-overall", "D", "... and this diameter over its enamel."
    ),
    targets: Path | None = option("FILE", "Put Re and the facts of the coil into this file."),
    report: Report = None,
    replace: bool = flag("--replace", "Values that stand there already may be replaced."),
    as_json: AsJson = False,
) -> None:
    """Plan a voice coil, in either direction.

    \b
    freeair wind --wire 0.2mm --former 20mm --layers 4 --turns 152
    freeair wind --resistance 5.6ohm --at-least --former 20mm --wire 0.2mm --wire AWG32
    freeair wind --sample-length 2.5m --sample-resistance 1.37ohm --sample-overall 0.22mm
    """
    from cli.report import forms
    from cli.targets import coil_words, edit, printing
    from cli.targets.coil_words import CoilWords
    from cli.terminal.sections import say
    from fit.design.coil_limits import coil_uncertainty

    forms.check(report)
    words = CoilWords(
        tuple(wire or ()), metal, former, former_thickness, tuple(layers or ()), turns, height,
        pole, plate, gap_height,
    )  # fmt: skip
    stated = coil_words.stated(words)
    found = _identified(sample_length, sample_resistance, sample_overall)
    salvaged = None
    if found is not None:
        if words.wire:
            raise UsageError(
                "the wire is given, and a piece of unknown wire too",
                where="--wire, --sample-length",
                remedy="Leave one of them out.",
            )
        if words.former is None:
            if as_json:
                show.document({"format": "freeair-coil/1", "wire": printing.wire_json(found)})
            else:
                say([printing.identified(found)])
            return
        salvaged = _salvaged_wire(found, sample_overall)
        words = coil_words.replace(words, metal=salvaged.metal.name)
    if resistance is None:
        if at_least:
            raise UsageError(
                "at least which resistance?", where="--at-least", remedy="Add --resistance 5.6ohm."
            )
        coils = (coil_words.coil(words, salvaged),)
    else:
        coils = _solutions(words, salvaged, resistance, at_least)
    gap = coil_words.gap(words)
    _refuse_misfit(coils[0], gap)
    use = printing.CoilUse(
        gap,
        values.number(gap_height),
        _HOT_K if temperature is None else temperature.value,
        values.number(power),
        metal_former,
    )
    open_by = coil_uncertainty(coils[0], gap, use.gap_height, stated)
    if targets is not None:
        facts = winding_facts(coils[0], use.gap_height)
        edit.put(targets, aims(coils[0]), facts, replace=replace)
    ranked = resistance is not None
    sections = [
        *([] if found is None else [printing.identified(found)]),
        *([printing.ranking(coils, gap)] if ranked else []),
        *printing.coil_sections(coils[0], use, first=ranked),
        *printing.open_sections(open_by),
    ]
    ohm = coils[0].resistance[1]
    lead = (
        f"{coils[0].turns} turns of {coils[0].wire.bare * 1e3:.3g} mm {coils[0].wire.metal.name} "
        f"in {coils[0].layers} layers: {ohm:.3g} ohm at 20 C, {coils[0].mass * 1e3:.2g} g."
    )
    forms.give(
        "Voice coil",
        lead,
        sections,
        lambda: printing.document(coils, found, use, open_by),
        as_json=as_json,
        report=report,
    )
    if targets is not None and not as_json:
        show.say("", f"Put into {targets}: Re and the facts of this coil.")


def _refuse_misfit(coil: Coil, gap: Gap | None) -> None:
    """A coil that does not go into its gap is no plan."""
    from fit.design.winding import cautions
    from meas.errors import Refused

    if reasons := refusals(cautions(coil, gap)):
        raise Refused(reasons, remedy="Take fewer layers, thinner wire or a wider gap.")


def _identified(
    length: Value | None, resistance: Value | None, overall: Value | None
) -> tuple[Identified, ...] | None:
    """Identify a piece of unknown wire; None where none was given."""
    from cli.words import assumed
    from fit.design.wire import identify

    if length is None and resistance is None and overall is None:
        return None
    if length is None or resistance is None:
        raise UsageError(
            "a piece of wire is named by its length and its resistance",
            where="--sample-length" if length is None else "--sample-resistance",
            remedy="Measure two metres or more, and take the reading of the shorted leads off.",
        )
    ohm, said = assumed.measured_resistance(resistance)
    show.default_taken(said)
    # Without limits a length is read to half its last digit.
    length_part = (length.half_width or length.last_digit / 2) / length.value
    relative = ((length_part**2 + ((ohm.half_width or 0.0) / ohm.value) ** 2) / 3) ** 0.5
    thick = values.number(overall)
    return identify(length.value, ohm.value, relative_uncertainty=relative, overall=thick)


def _salvaged_wire(found: tuple[Identified, ...], overall: Value | None) -> Wire:
    """The likeliest wire, to be wound; its overall diameter as measured where that suits it."""
    from fit.design.wire import enamelled

    best = found[0]
    if not best.plausible or overall is None:
        return enamelled(best.bare, best.metal)
    return enamelled(best.bare, best.metal, max(overall.value, best.bare))


def _solutions(
    words: CoilWords, salvaged: Wire | None, resistance: Value, at_least: bool
) -> tuple[Coil, ...]:
    from cli.targets import coil_words
    from fit.design.winding_search import WantedCoil, solutions
    from fit.design.wire import PREFERRED_MM, enamelled

    if words.turns is not None:
        raise UsageError(
            "turns and resistance are both given",
            where="--turns, --resistance",
            remedy="Leave the turns out: they follow from the resistance.",
        )
    wires = coil_words.wires(words) or ((salvaged,) if salvaged is not None else ())
    if not wires:
        of = coil_words.metal(words.metal)
        wires = tuple(enamelled(mm / 1e3, of) for mm in PREFERRED_MM)
        show.default_taken("no wire given: every preferred size from 0.05 to 1.6 mm tried")
    layers = words.layers or (2, 4, 8)
    if not words.layers:
        show.default_taken("no number of layers given: 2, 4 and 8 tried")
    if words.height is None and coil_words.gap(words) is None:
        show.default_taken(
            "neither height nor gap given: coils as high as the former is wide at most; --height, "
            "or the gap's sizes, would tell more"
        )
    height = values.number(words.height)
    wanted = WantedCoil(resistance.value, at_least, height, coil_words.gap(words))
    return solutions(wanted, coil_words.former(words), wires, layers)


def aims(coil: Coil) -> dict[str, dict[str, str]]:
    """Values that a finished driver should show of the coil, as a targets file says them."""
    from fit.design.winding import targets

    return {
        aim.parameter: {
            name: f"{value:.4g}ohm"
            for name, value in (("target", aim.target), ("lower", aim.lower), ("upper", aim.upper))
            if value is not None
        }
        for aim in targets(coil)
    }


def winding_facts(coil: Coil, gap_height: float | None) -> dict[str, str | int]:
    """The table [winding] of a targets file."""
    facts: dict[str, str | int] = {
        "wire": coil.wire.metal.name,
        "wire_diameter": f"{coil.wire.bare * 1e3:.4g}mm",
        "turns": coil.turns,
        "layers": coil.layers,
        "former_diameter": f"{coil.former.diameter * 1e3:.4g}mm",
    }
    if gap_height is not None:
        facts["gap_height"] = f"{gap_height * 1e3:.4g}mm"
    return facts
