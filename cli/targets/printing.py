"""Coils as tables for the terminal and as JSON."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import partial
from typing import Any

from cli.pictures.coil import coil_figure
from cli.terminal.sections import Drawing, Facts, Findings, Rows, Section
from cli.terminal.tables import numbers
from fit.design.winding import CAUTIOUS_DENSITY, Coil, Gap, cautions
from fit.design.wire import Identified, in_words
from fit.results.result import Estimate
from meas.errors import Finding

_SHOWN = 10


@dataclass(frozen=True)
class CoilUse:
    """Use that a coil is wound for.

    Attributes:
        gap: Pole and plate around it; None where they are not known.
        gap_height: Height of the plate [m].
        kelvin: Temperature of the hot coil [K].
        watt: Lasting power [W].
    """

    gap: Gap | None
    gap_height: float | None
    kelvin: float
    watt: float | None
    metal_former: bool

    def cautions(self, coil: Coil) -> tuple[Finding, ...]:
        """Cautions for a coil in this use."""
        return tuple(cautions(coil, self.gap, self.watt, metal_former=self.metal_former))


def identified(found: tuple[Identified, ...]) -> Section:
    """Name the candidates for an unknown wire, in words."""
    return Section("Unknown wire", (Findings([in_words(found)]),))


def wire_json(found: tuple[Identified, ...]) -> list[dict[str, Any]]:
    """List the candidates for an unknown wire, in SI units."""
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


def ranking(coils: Sequence[Coil], gap: Gap | None) -> Section:
    """The coils that can be wound, closest to the wish first."""
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
    table = Rows(numbers(*titles, *(["free mm"] if gap is not None else [])), rows)
    more = len(coils) - _SHOWN
    said = (f"and {more} more (all of them with --json)",) if more > 0 else ()
    return Section("Coils that can be wound, closest first", (table, *said))


def coil_sections(coil: Coil, use: CoilUse, *, first: bool) -> list[Section]:
    """Describe a coil with all that follows from it."""
    gap, gap_height, kelvin = use.gap, use.gap_height, use.kelvin
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
    title = f"{'The closest: ' if first else ''}{coil.layers} layers of {coil.turns} turns"
    section = Drawing(
        "winding",
        partial(coil_figure, coil, gap, gap_height),
        "Cross section of the winding in its gap",
        "One side of the coil, cut through its axis, to scale; the thickest wire allowed.",
    )
    all_sections = [Section(title, (Facts(rows), section))]
    if found := use.cautions(coil):
        all_sections.append(Section("Mind", (Findings(found),)))
    return all_sections


_OPEN = {
    "resistance_20C_ohm": ("resistance", "ohm", 1.0),
    "length_m": ("wire length", "m", 1.0),
    "mass_kg": ("mass of wire", "g", 1e3),
    "outside_diameter_m": ("outside", "mm", 1e3),
    "air_core_inductance_H": ("inductance", "mH", 1e3),
    "clearance_inside_m": ("free inside", "mm", 1e3),
    "clearance_outside_m": ("free outside", "mm", 1e3),
    "length_in_gap_m": ("wire in the gap", "m", 1.0),
}


def open_sections(open_by: Mapping[str, Estimate]) -> list[Section]:
    """Say what the limits given with former and gap leave open; nothing where none were."""
    rows = []
    for name, estimate in open_by.items():
        if estimate.standard_uncertainty > 0:
            word, unit, scale = _OPEN[name]
            low, high = (scale * bound for bound in estimate.interval_95)
            rows.append((word, f"{scale * estimate.value:.4g}", unit, f"{low:.4g} to {high:.4g}"))
    return [Section("By the limits of former and gap, 95 %", (Facts(rows),))] if rows else []


def document(
    coils: Sequence[Coil],
    found: tuple[Identified, ...] | None,
    use: CoilUse,
    open_by: Mapping[str, Estimate],
) -> dict[str, Any]:
    """Coils, and the wire where it was unknown, in SI units.

    ``open_by`` belongs to the first coil: what the limits of former and gap leave open.
    """
    content: dict[str, Any] = {
        "format": "freeair-coil/1",
        "coils": [_coil_json(coil, use) for coil in coils],
    }
    if any(estimate.standard_uncertainty > 0 for estimate in open_by.values()):
        content["coils"][0]["by_limits_of_former_and_gap"] = {
            name: {
                "standard_uncertainty": estimate.standard_uncertainty,
                "interval_95": list(estimate.interval_95),
            }
            for name, estimate in open_by.items()
        }
    if found is not None:
        content["wire"] = wire_json(found)
    return content


def _coil_json(coil: Coil, use: CoilUse) -> dict[str, Any]:
    """A coil in SI units."""
    low, nominal, high = coil.resistance
    document: dict[str, Any] = {
        "metal": coil.wire.metal.name,
        "bare_m": coil.wire.bare,
        "overall_m": coil.wire.overall,
        "layers": coil.layers,
        "turns": coil.turns,
        "turns_per_layer": list(coil.turns_per_layer),
        "resistance_20C_ohm": {"value": nominal, "lower": low, "upper": high},
        "resistance_hot_ohm": coil.resistance_at(use.kelvin),
        "hot_K": use.kelvin,
        "length_m": coil.length,
        "mass_kg": coil.mass,
        "height_m": coil.height,
        "outside_diameter_m": coil.outside_diameter,
        "air_core_inductance_H": coil.air_core_inductance,
        "lasting_power_W": coil.power_at_density(),
        "cautions": [f.as_json() for f in use.cautions(coil)],
    }
    if use.gap is not None:
        document["clearance_inside_m"], document["clearance_outside_m"] = coil.clearances(use.gap)
    if use.gap_height is not None:
        document["length_in_gap_m"] = coil.length_in_gap(use.gap_height)
    return document
