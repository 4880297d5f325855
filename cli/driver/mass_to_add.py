"""A suitable mass for the cone, before anybody knows what the cone weighs."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from fit.given.measured import Session
    from fit.results.result import DriverFit
    from meas.errors import Finding

# A mass should lower the resonance by 20 to 50 % (common practice, no source): less and the
# mass is poorly told, more and the cone sags and the peak drowns.
LEAST_SHIFT, MOST_SHIFT = 0.2, 0.5
# Moving mass of cone drivers against their area: 15 g at 130 cm2, rising a little faster than the
# area (common practice, no source; single drivers lie within a factor of two).
_TYPICAL_KG, _TYPICAL_M2, _POWER = 15e-3, 130e-4, 1.2
# Middle, as a factor, of the ratios of mass added to mass there that shift by 20 and by 50 %.
_RATIO = math.sqrt((1 / (1 - LEAST_SHIFT) ** 2 - 1) * (1 / (1 - MOST_SHIFT) ** 2 - 1))
# The lowered resonance must stay clear of the lowest frequency played.
_CLEAR = 1.5
_ROUND = (1.0, 1.5, 2.0, 3.0, 4.0, 5.0, 7.0)


@dataclass(frozen=True)
class Proposal:
    """A mass to put on the cone.

    Attributes:
        lowered_hz: Where the resonance is expected then.
        clear: False when that is too near the lowest frequency of the sweep.
    """

    mass_kg: float
    lowered_hz: float
    clear: bool


def typical_mass(area_m2: float) -> float:
    """Moving mass that a cone of such an area usually has [kg]."""
    return float(_TYPICAL_KG * (area_m2 / _TYPICAL_M2) ** _POWER)


def propose(fs_hz: float, moving_kg: float, start_hz: float) -> Proposal:
    """The mass that lowers the resonance by about a third, as a round number.

    A mass m on a moving mass M lowers the resonance by the factor (1 + m/M)^-1/2 (R. H. Small,
    J. Audio Eng. Soc. 20, 1972: compliance unchanged).

    Args:
        moving_kg: Moving mass as far as it is known; a factor of two does not matter.
        start_hz: Lowest frequency of the sweep.
    """
    mass = rounded(_RATIO * moving_kg)
    lowered = fs_hz / math.sqrt(1 + mass / moving_kg)
    return Proposal(mass, lowered, lowered >= _CLEAR * start_hz)


def moving_mass(free_hz: float, loaded_hz: float, mass_kg: float) -> float:
    """Moving mass from the two resonances [kg]; the same law the other way round."""
    return mass_kg / ((free_hz / loaded_hz) ** 2 - 1)


def rounded(mass_kg: float) -> float:
    """The nearest of 1, 1.5, 2, 3, 4, 5, 7 and their decades, as a factor."""
    decade = 10.0 ** math.floor(math.log10(mass_kg))
    near = [step * decade for step in (*_ROUND, 10.0)]
    return min(near, key=lambda one: abs(math.log(one / mass_kg)))


# What a joint fit of free air and mass leaves in Mms besides the scales: about this many times
# what the model misses of a curve (fits of simulated takes and typed tables), and never less than
# some drift between takes (standard uncertainty; common practice, no source).
_MISSED, _DRIFT = 2.5, 0.003
_SCALES_KG = 0.1e-3 / math.sqrt(3)


def expected(mass_kg: float, missed: float) -> float:
    """Relative standard uncertainty of Mms and Cms that a mass on ordinary scales gives.

    Args:
        missed: What the model misses of |Z| in free air, relative.
    """
    return math.hypot(_SCALES_KG / mass_kg, _MISSED * missed, _DRIFT)


def for_cone(fitted: DriverFit, area_m2: float) -> Proposal:
    """Propose a mass for a fitted driver whose cone has such an area [m2]."""
    start_hz = min(float(curve.frequency_hz[0]) for curve in fitted.curves)
    return propose(fitted.parameters["fs"].value, typical_mass(area_m2), start_hz)


def next_step(fitted: DriverFit, session: Session) -> Finding | None:
    """Propose a mass after a fit that knows no Mms, with what it would give; None where known.

    Args:
        session: What else was measured; the cone's area tells about what moves.
    """
    from fit.box.suggest import suggest
    from meas.errors import Finding

    if "Mms" in fitted.parameters:
        return None
    fs = fitted.parameters["fs"].value
    start = min(float(curve.frequency_hz[0]) for curve in fitted.curves)
    what = "Free air alone tells no Mms, Cms, Bl or Vas"
    if suggest(fitted.parameters).kind == "tweeter":
        return Finding(
            "mass-wanted",
            what,
            ground="On a dome a mass is rarely wise",
            next_step="weigh its moving parts before they are glued (--moving-parts)",
        )
    if session.area is None:
        return Finding(
            "mass-wanted",
            what,
            ground="The resonance should fall by 20 to 50 %. With --diameter a mass is proposed",
            next_step="put about as much as cone and coil weigh on the cone, and measure again "
            "(--added-mass)",
        )
    area = session.area
    found = for_cone(fitted, area.value)
    missed = max(curve.residual_rms_relative for curve in fitted.curves)
    mms = expected(found.mass_kg, missed)
    air = math.hypot(
        2 * area.standard_uncertainty / area.value,
        session.pressure.standard_uncertainty / session.pressure.value,
    )
    vas = math.hypot(mms, air)
    ground = (
        f"A cone of that size usually moves about {1e3 * typical_mass(area.value):.2g} g. "
        f"{1e3 * found.mass_kg:g} g more would lower the resonance from {fs:.3g} to about "
        f"{found.lowered_hz:.2g} Hz; 20 to 50 % is good. On scales good to 0.1 g expect Mms to "
        f"about ±{196 * mms:.1g} % and Vas to about ±{196 * vas:.1g} %"
    )
    if not found.clear:
        ground += f". That is near the lowest frequency measured, {start:.3g} Hz: begin lower"
    step = f"put {1e3 * found.mass_kg:g} g on the cone, and measure again (--added-mass)"
    return Finding("mass-wanted", what, ground=ground, next_step=step)
