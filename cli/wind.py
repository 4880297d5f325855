"""``freeair wind``: the coil before it is wound, and which coil to wind."""

from __future__ import annotations

import json
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from cli import show
from cli.options import AsJson
from meas.errors import UsageError

if TYPE_CHECKING:
    from cli.coil_words import CoilWords
    from fit.winding import Coil, Gap
    from fit.wire import Identified, Wire
    from meas.errors import Finding

_SHOWN = 10
_HOT_C = 100.0

WireOption = Annotated[
    list[str] | None,
    typer.Option(
        metavar="D",
        help="Bare diameter 0.2mm, bare/overall 0.2mm/0.22mm, or AWG32; repeat for several at "
        "hand.",
    ),
]
MetalOption = Annotated[str, typer.Option(metavar="copper|aluminium", help="Of the wire.")]
FormerOption = Annotated[
    str | None, typer.Option(metavar="D", help="Outside diameter of the former, such as 20mm.")
]
LayersOption = Annotated[
    list[int] | None,
    typer.Option(metavar="N", help="Layers; repeat for several to try (default then: 2 and 4)."),
]
TurnsOption = Annotated[int | None, typer.Option(metavar="N", help="Turns in all layers together.")]
GapHeightOption = Annotated[
    str | None, typer.Option(metavar="H", help="Height of the plate at the gap.")
]


def wind(
    wire: WireOption = None,
    metal: MetalOption = "copper",
    former: FormerOption = None,
    former_thickness: Annotated[
        str | None, typer.Option(metavar="T", help="Wall of the former, paper and glue included.")
    ] = None,
    layers: LayersOption = None,
    turns: TurnsOption = None,
    height: Annotated[
        str | None,
        typer.Option(metavar="H", help="Height of the winding; with --resistance the most it may."),
    ] = None,
    pole: Annotated[
        str | None, typer.Option(metavar="D", help="Diameter of the pole inside the coil.")
    ] = None,
    plate: Annotated[
        str | None, typer.Option(metavar="D", help="Diameter of the hole in the plate around it.")
    ] = None,
    gap_height: GapHeightOption = None,
    resistance: Annotated[
        str | None, typer.Option(metavar="R", help="Wished at 20 C: which coils can be wound?")
    ] = None,
    at_least: Annotated[
        bool, typer.Option("--at-least", help="No wire within its limits may give less than R.")
    ] = False,
    temperature: Annotated[
        str | None, typer.Option(metavar="T", help="Of the hot coil. Default 100C.")
    ] = None,
    power: Annotated[
        str | None, typer.Option(metavar="P", help="Lasting power, such as 10W.")
    ] = None,
    sample_length: Annotated[
        str | None, typer.Option(metavar="L", help="Unknown wire: a piece of this length ...")
    ] = None,
    sample_resistance: Annotated[
        str | None, typer.Option(metavar="R", help="... and this resistance, leads taken off ...")
    ] = None,
    sample_overall: Annotated[
        str | None, typer.Option(metavar="D", help="... and this diameter over its enamel.")
    ] = None,
    targets: Annotated[
        Path | None,
        typer.Option(metavar="FILE", help="Put Re and the facts of the coil into this file."),
    ] = None,
    replace: Annotated[
        bool, typer.Option("--replace", help="Values that stand there already may be replaced.")
    ] = False,
    as_json: AsJson = False,
) -> None:
    """Plan a voice coil, in either direction.

    \b
    freeair wind --wire 0.2mm --former 20mm --layers 4 --turns 152
    freeair wind --resistance 5.6ohm --at-least --former 20mm --wire 0.2mm --wire AWG32
    freeair wind --sample-length 2.5m --sample-resistance 1.37ohm --sample-overall 0.22mm
    """
    from cli import coil_words, units, values
    from cli.coil_words import COIL_TEMPERATURE, CoilWords

    words = CoilWords(
        tuple(wire or ()), metal, former, former_thickness, tuple(layers or ()), turns, height,
        pole, plate, gap_height,
    )  # fmt: skip
    kelvin = values.read(COIL_TEMPERATURE, temperature or f"{_HOT_C:g}C", "--temperature").value
    watt = None if power is None else values.read(units.POWER, power, "--power").value
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
            _show_identified(found, as_json)
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
    high = coil_words.gap_height(words)
    _write_targets(targets, coils[0], high, replace=replace)
    if as_json:
        _show_json(coils, found, gap, high, kelvin, watt)
        return
    if found is not None:
        _say_identified(found)
    if resistance is not None:
        _show_ranking(coils, gap)
    _show_coil(coils[0], gap, high, kelvin, watt, first=resistance is not None)
    if targets is not None:
        show.say("", f"Put into {targets}: Re and the facts of this coil.")


def _refuse_misfit(coil: Coil, gap: Gap | None) -> None:
    """A coil that does not go into its gap is no plan."""
    from fit.winding import cautions
    from meas.errors import Refused

    if reasons := [finding for finding in cautions(coil, gap) if finding.refuses]:
        raise Refused(reasons, remedy="Take fewer layers, thinner wire or a wider gap.")


def _identified(
    length: str | None, resistance: str | None, overall: str | None
) -> tuple[Identified, ...] | None:
    """What a piece of unknown wire may be; None where none was given."""
    from cli import assumed, values
    from fit.wire import identify

    if length is None and resistance is None and overall is None:
        return None
    if length is None or resistance is None:
        raise UsageError(
            "a piece of wire is named by its length and its resistance",
            where="--sample-length" if length is None else "--sample-resistance",
            remedy="Measure two metres or more, and take the reading of the shorted leads off.",
        )
    long = values.length(length, "--sample-length")
    ohm = values.resistance(resistance, "--sample-resistance")
    ohm, said = assumed.measured_resistance(ohm)
    if said:
        show.default_taken(said)
    # Without limits a length is read to half its last digit.
    length_part = (long.half_width or long.last_digit / 2) / long.value
    relative = ((length_part**2 + ((ohm.half_width or 0.0) / ohm.value) ** 2) / 3) ** 0.5
    thick = None if overall is None else values.length(overall, "--sample-overall").value
    return identify(long.value, ohm.value, relative_uncertainty=relative, overall=thick)


def _salvaged_wire(found: tuple[Identified, ...], overall: str | None) -> Wire:
    """The likeliest wire, to be wound; its overall diameter as measured where that suits it."""
    from cli import values
    from fit.wire import enamelled

    best = found[0]
    if not best.plausible or overall is None:
        return enamelled(best.bare, best.metal)
    measured = values.length(overall, "--sample-overall").value
    return enamelled(best.bare, best.metal, max(measured, best.bare))


def _solutions(
    words: CoilWords, salvaged: Wire | None, resistance: str, at_least: bool
) -> tuple[Coil, ...]:
    from cli import coil_words, values
    from fit.winding_search import Wish, solutions
    from fit.wire import PREFERRED_MM, enamelled

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
    layers = words.layers or (2, 4)
    if not words.layers:
        show.default_taken("no number of layers given: 2 and 4 tried")
    height = None if words.height is None else values.length(words.height, "--height").value
    wish = Wish(
        values.resistance(resistance, "--resistance").value, at_least, height, coil_words.gap(words)
    )
    return solutions(wish, coil_words.former(words), wires, layers)


def _write_targets(
    path: Path | None, coil: Coil, gap_height: float | None, *, replace: bool
) -> None:
    if path is None:
        return
    from cli import targets_edit

    targets_edit.put(path, aims(coil), winding_facts(coil, gap_height), replace=replace)


def aims(coil: Coil) -> dict[str, dict[str, str]]:
    """What a finished driver should show of the coil, as a targets file says it."""
    from fit.winding import targets

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


def _show_identified(found: tuple[Identified, ...], as_json: bool) -> None:
    if as_json:
        show.line(json.dumps({"format": "freeair-coil/1", "wire": _wire_json(found)}))
    else:
        _say_identified(found)


def _say_identified(found: tuple[Identified, ...]) -> None:
    from fit.wire import in_words

    show.heading("Unknown wire")
    show.findings([in_words(found)])


def _wire_json(found: tuple[Identified, ...]) -> list[dict[str, Any]]:
    return [
        {
            "metal": one.metal.name,
            "bare_m": one.bare,
            "standard_uncertainty_m": one.standard_uncertainty,
            "preferred_m": one.preferred,
            "plausible": one.plausible,
        }
        for one in found
    ]


def _show_ranking(coils: Sequence[Coil], gap: Gap | None) -> None:
    from cli.facts import grid

    rows = []
    for coil in coils[:_SHOWN]:
        free = [] if gap is None else [f"{min(coil.clearances(gap)) * 1e3:.2f}"]
        low, nominal, high = coil.resistance
        rows.append(
            (
                f"{coil.wire.bare * 1e3:.3f}",
                str(coil.layers),
                str(coil.turns),
                f"{nominal:.2f}",
                f"{low:.2f} … {high:.2f}",
                f"{coil.height * 1e3:.1f}",
                f"{coil.outside_diameter * 1e3:.2f}",
                f"{coil.mass * 1e3:.2f}",
                *free,
            )
        )
    titles = ["wire mm", "layers", "turns", "ohm", "limits ohm", "high mm", "wide mm", "g"]
    show.heading("Coils that can be wound, closest first")
    show.say(grid([*titles, *(["free mm"] if gap is not None else [])], rows))
    if len(coils) > _SHOWN:
        show.say(f"and {len(coils) - _SHOWN} more (all of them with --json)")


def _show_coil(
    coil: Coil,
    gap: Gap | None,
    gap_height: float | None,
    kelvin: float,
    watt: float | None,
    *,
    first: bool,
) -> None:
    from cli.facts import facts
    from fit.winding import CAUTIOUS_DENSITY, cautions

    low, nominal, high = coil.resistance
    wire = coil.wire
    rows = [
        ("wire", f"{wire.bare * 1e3:.4g}", "mm", f"{wire.metal.name}, "
         f"{wire.overall * 1e3:.3f} mm over its enamel, {wire.overall_max * 1e3:.3f} at most"),
        ("turns", str(coil.turns), "", " + ".join(map(str, coil.turns_per_layer)) + " from the "
         "former out"),
        ("resistance", f"{nominal:.3g}", "ohm", f"at 20 C, {low:.3g} to {high:.3g} by the limits "
         "of the wire, without leads"),
        ("", f"{coil.resistance_at(kelvin):.3g}", "ohm", f"at {kelvin - 273.15:.0f} C"),
        ("wire length", f"{coil.length:.3g}", "m", "without leads"),
        ("mass of wire", f"{coil.mass * 1e3:.3g}", "g", "with enamel, without glue and leads"),
        ("winding height", f"{coil.height * 1e3:.3g}", "mm", ""),
        ("outside", f"{coil.outside_diameter * 1e3:.4g}", "mm", "of the thickest wire allowed"),
        ("inductance", f"{coil.air_core_inductance * 1e3:.2g}", "mH", "in air; the iron around "
         "it changes that several-fold"),
        ("lasting power", f"{coil.power_at_density():.2g}", "W", f"at "
         f"{CAUTIOUS_DENSITY / 1e6:.0f} A/mm2, cautious for a coil in still air"),
    ]  # fmt: skip
    if gap is not None:
        inner, outer = coil.clearances(gap)
        rows.append(("free inside", f"{inner * 1e3:.2f}", "mm", "between pole and former"))
        rows.append(("free outside", f"{outer * 1e3:.2f}", "mm", "between coil and plate"))
    if gap_height is not None:
        rows.append(("wire in the gap", f"{coil.length_in_gap(gap_height):.3g}", "m",
                     "coil centred, stray field left out"))  # fmt: skip
    show.heading(f"{'The closest: ' if first else ''}{coil.layers} layers of {coil.turns} turns")
    show.say(facts(rows))
    if found := cautions(coil, gap, watt):
        show.heading("Mind")
        show.findings(found)


def _show_json(
    coils: Sequence[Coil],
    found: tuple[Identified, ...] | None,
    gap: Gap | None,
    gap_height: float | None,
    kelvin: float,
    watt: float | None,
) -> None:
    document: dict[str, Any] = {
        "format": "freeair-coil/1",
        "coils": [_coil_json(coil, gap, gap_height, kelvin, watt) for coil in coils],
    }
    if found is not None:
        document["wire"] = _wire_json(found)
    show.line(json.dumps(document, ensure_ascii=False, allow_nan=False))


def _coil_json(
    coil: Coil, gap: Gap | None, gap_height: float | None, kelvin: float, watt: float | None
) -> dict[str, Any]:
    """A coil in SI units."""
    from fit.winding import cautions

    low, nominal, high = coil.resistance
    found: list[Finding] = list(cautions(coil, gap, watt))
    document: dict[str, Any] = {
        "metal": coil.wire.metal.name,
        "bare_m": coil.wire.bare,
        "overall_m": coil.wire.overall,
        "layers": coil.layers,
        "turns": coil.turns,
        "turns_per_layer": list(coil.turns_per_layer),
        "resistance_20C_ohm": {"value": nominal, "lower": low, "upper": high},
        "resistance_hot_ohm": coil.resistance_at(kelvin),
        "hot_K": kelvin,
        "length_m": coil.length,
        "mass_kg": coil.mass,
        "height_m": coil.height,
        "outside_diameter_m": coil.outside_diameter,
        "air_core_inductance_H": coil.air_core_inductance,
        "lasting_power_W": coil.power_at_density(),
        "cautions": [{"code": f.code, "text": f.text} for f in found],
    }
    if gap is not None:
        document["clearance_inside_m"], document["clearance_outside_m"] = coil.clearances(gap)
    if gap_height is not None:
        document["length_in_gap_m"] = coil.length_in_gap(gap_height)
    return document
