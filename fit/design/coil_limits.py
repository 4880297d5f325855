"""Uncertainty of a planned coil by the limits of former and gap."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

from fit.design.winding import Coil, Former, Gap
from fit.given.measured import Stated
from fit.results.propagate import propagate
from fit.results.result import Estimate


def coil_uncertainty(
    coil: Coil, gap: Gap | None, gap_height: float | None, stated: Mapping[str, Stated]
) -> dict[str, Estimate]:
    """Propagate the limits of the dimensions around a coil to its quantities.

    JCGM 100:2008, 5.1.2. The limits of the wire itself are those of its standard and stand beside
    the resistance as a range.

    Args:
        coil: Coil as planned, at the stated values.
        gap: Gap, where pole and plate are known.
        gap_height: Height of the plate [m], where it is known.
        stated: Any of ``former`` (outside), ``wall``, ``pole``, ``plate``, ``gap_height`` [m].

    Returns:
        Estimates by the names that a plan has in JSON: ``length_m resistance_20C_ohm mass_kg
        outside_diameter_m air_core_inductance_H``, with a gap ``clearance_inside_m
        clearance_outside_m``, with its height ``length_in_gap_m``.
    """

    def quantities(values: Mapping[str, float]) -> Mapping[str, tuple[float, str]]:
        wall = values.get("wall", coil.former.thickness)
        outside = values.get("former", coil.former.diameter)
        moved = replace(coil, former=Former(outside - 2 * wall, wall))
        found = {
            "length_m": (moved.length, "m"),
            "resistance_20C_ohm": (moved.resistance[1], "ohm"),
            "mass_kg": (moved.mass, "kg"),
            "outside_diameter_m": (moved.outside_diameter, "m"),
            "air_core_inductance_H": (moved.air_core_inductance, "H"),
        }
        if gap is not None:
            around = Gap(
                values.get("pole", gap.pole_diameter),
                values.get("plate", gap.plate_diameter),
                gap.height,
            )
            inner, outer = moved.clearances(around)
            found["clearance_inside_m"] = (inner, "m")
            found["clearance_outside_m"] = (outer, "m")
        if gap_height is not None:
            high = values.get("gap_height", gap_height)
            found["length_in_gap_m"] = (moved.length_in_gap(high), "m")
        return found

    return propagate(quantities, stated)
