"""A measured driver with another coil on the same former: what becomes of its parameters."""

from __future__ import annotations

import math
from collections.abc import Mapping

from fit.design.winding import Coil

NEEDED = ("Re", "fs", "Qms", "Qes", "Mms", "Bl", "sensitivity_2v83")


def rewound(
    measured: Mapping[str, float], now: Coil, instead: Coil, gap_height: float
) -> dict[str, float]:
    """Parameters of a driver once its coil is replaced; suspension and magnet stay.

    Ratios of the two coils are applied to what was measured, so that leads, the field and the
    glue need not be known: Re by the wire's resistance, Bl by its length inside the gap, Mms by
    the difference of the masses. From there Small's definitions (R. H. Small, J. Audio Eng. Soc.
    20(5), 1972): fs ~ Mms^-1/2, Qms ~ Mms^1/2, Qes ~ fs Mms Re/Bl^2, pressure at constant
    voltage ~ Bl/(Re Mms).

    Args:
        measured: Values of `NEEDED` in SI base units, dB for the sensitivity.

    Returns:
        The same symbols and Qts.

    Raises:
        ValueError: If the lighter coil would take more than what moves.
    """
    Mms = measured["Mms"] + instead.mass - now.mass
    if Mms <= 0:
        raise ValueError("the coil that is in it would weigh more than all that moves")
    mass = Mms / measured["Mms"]
    resistance = instead.resistance[1] / now.resistance[1]
    force = instead.length_in_gap(gap_height) / now.length_in_gap(gap_height)
    Qms = measured["Qms"] * math.sqrt(mass)
    Qes = measured["Qes"] * math.sqrt(mass) * resistance / force**2
    return {
        "Re": measured["Re"] * resistance,
        "fs": measured["fs"] / math.sqrt(mass),
        "Qms": Qms,
        "Qes": Qes,
        "Qts": Qms * Qes / (Qms + Qes),
        "Mms": Mms,
        "Bl": measured["Bl"] * force,
        "sensitivity_2v83": measured["sensitivity_2v83"]
        + 20 * math.log10(force / resistance / mass),
    }
