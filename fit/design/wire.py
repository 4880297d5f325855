"""Round enamelled winding wire: diameters, resistance and mass per metre, unknown wire named."""

from __future__ import annotations

import math
from bisect import bisect_left
from dataclasses import dataclass

from fit.given.standards import COPPER_PER_KELVIN, ROOM
from meas.errors import Finding, UsageError

THINNEST, THICKEST = 0.04e-3, 1.6e-3
"""Bare diameters that are wound into coils of drivers and crossovers [m]."""

PREFERRED_MM = (
    0.050, 0.056, 0.063, 0.071, 0.080, 0.090, 0.100, 0.112, 0.125, 0.140, 0.160, 0.180, 0.200,
    0.224, 0.250, 0.280, 0.315, 0.355, 0.400, 0.450, 0.500, 0.560, 0.630, 0.710, 0.800, 0.900,
    1.000, 1.120, 1.250, 1.400, 1.600,
)  # fmt: skip
"""Preferred bare diameters [mm], series R 20 of ISO 3 as IEC 60317-0-1 uses it (from memory)."""

# Bare diameter, smallest and largest overall diameter of enamel grade 1 [mm], IEC 60317-0-1
# (open data of the magnetics trade labelled with that standard).
_GRADE_1 = (
    (0.100, 0.108, 0.117),
    (0.150, 0.162, 0.171),
    (0.200, 0.214, 0.226),
    (0.250, 0.267, 0.281),
    (0.315, 0.334, 0.349),
)

_ENAMEL_DENSITY = 1400.0
"""Density of polyester-imide and polyurethane films [kg/m3] (from memory)."""


@dataclass(frozen=True)
class Metal:
    """Metal of a wire.

    Attributes:
        conductivity: Lowest, nominal and highest at 20 C [S/m].
        temperature_coefficient: Temperature coefficient of resistance at 20 C [1/K].
        density: Density [kg/m3].
    """

    name: str
    conductivity: tuple[float, float, float]
    temperature_coefficient: float
    density: float


COPPER = Metal("copper", (58e6, 58.5e6, 59e6), COPPER_PER_KELVIN, 8890.0)
"""Conductivities as the resistance limits of IEC 60317-0-1 use them, between 58 and 59 MS/m;
coefficient and density from IEC 60028."""

ALUMINIUM = Metal("aluminium", (1 / 2.826e-8, 1 / 2.80e-8, 1 / 2.77e-8), 0.00403, 2703.0)
"""Upper limit of resistivity and coefficient of electrical aluminium, IEC 60889; nominal and best
values and density from memory."""


@dataclass(frozen=True)
class Wire:
    """Round enamelled wire.

    Attributes:
        bare: Diameter of the metal [m].
        overall: Diameter over the enamel [m].
        overall_max: Largest such diameter by the standard [m]; equals ``overall`` where measured.
    """

    bare: float
    overall: float
    overall_max: float
    metal: Metal = COPPER

    @property
    def bare_area(self) -> float:
        """Cross-section of the metal [m2]."""
        return math.pi / 4 * self.bare**2

    @property
    def ohm_per_metre(self) -> tuple[float, float, float]:
        """Lowest, nominal and highest resistance at 20 C [ohm/m].

        Lowest of the thickest wire of the best metal and so on: 1/(59 A(d + tol)),
        1/(58.5 A(d)), 1/(58 A(d - tol)) for copper, the rule behind the tables of IEC 60317-0-1.
        """
        poor, nominal, good = self.metal.conductivity
        tolerance = diameter_tolerance(self.bare)
        return (
            1 / (good * math.pi / 4 * (self.bare + tolerance) ** 2),
            1 / (nominal * self.bare_area),
            1 / (poor * math.pi / 4 * (self.bare - tolerance) ** 2),
        )

    @property
    def kilogram_per_metre(self) -> float:
        """Mass of metal and enamel [kg/m]."""
        film = math.pi / 4 * (self.overall**2 - self.bare**2)
        return self.metal.density * self.bare_area + _ENAMEL_DENSITY * film


@dataclass(frozen=True)
class Identified:
    """One candidate for an unknown wire.

    Attributes:
        bare: Diameter of the metal by its resistance [m].
        standard_uncertainty: Standard uncertainty of that diameter [m].
        preferred: Nearest preferred diameter [m].
        plausible: Whether the enamel is as thick as enamel is.
    """

    metal: Metal
    bare: float
    standard_uncertainty: float
    preferred: float
    plausible: bool


def awg(number: int) -> float:
    """Bare diameter of an American wire gauge number [m]; 0 is 0, -1 is 00 and so on.

    d = 0.127 mm x 92^((36 - n)/39), ASTM B258 (from memory).

    Raises:
        UsageError: Outside 14 to 46, where no voice coil or crossover coil is wound.
    """
    if not 14 <= number <= 46:
        raise UsageError(f"AWG {number} is no wire for a coil", remedy="Give a gauge from 14 to 46")
    return float(0.127e-3 * 92 ** ((36 - number) / 39))


def enamelled(bare: float, metal: Metal = COPPER, overall: float | None = None) -> Wire:
    """Make a wire with enamel of grade 1 by IEC 60317-0-1, or of a measured overall diameter.

    >>> wire = enamelled(0.2e-3)
    >>> print(f"{1e3 * wire.overall:.3f} mm over the enamel, {wire.ohm_per_metre[1]:.4f} ohm/m")
    0.220 mm over the enamel, 0.5441 ohm/m

    Between the sizes read from the standard the thickness of the enamel is interpolated as a
    power of the bare diameter, and continued as such beyond them (0.1 to 0.315 mm). There it errs
    by up to 15 % of the enamel (tests/fitting/design/test_wire.py).

    Args:
        bare: Bare diameter [m].
        overall: Diameter over the enamel, where measured [m].

    Raises:
        UsageError: If the wire is too thin or thick for a coil, or thinner over its enamel than
            without.
    """
    if not THINNEST <= bare <= THICKEST:
        raise UsageError(
            f"a bare diameter of {bare * 1e3:.4g} mm is no wire for a coil",
            remedy=f"Give one from {THINNEST * 1e3:g} to {THICKEST * 1e3:g} mm",
        )
    if overall is None:
        low, high = (bare + _enamel(bare * 1e3, column) / 1e3 for column in (1, 2))
        return Wire(bare, (low + high) / 2, high, metal)
    if not bare <= overall <= 1.5 * bare:
        raise UsageError(
            f"an overall diameter of {overall * 1e3:.4g} mm does not suit a bare one of "
            f"{bare * 1e3:.4g} mm",
            remedy="Measure both again, enamel burnt or scraped off for the bare one",
        )
    return Wire(bare, overall, overall, metal)


def diameter_tolerance(bare: float) -> float:
    """Half-width of the limits of a bare diameter [m].

    3 um below 0.25 mm and 4 um up to 0.315 mm reproduce the tables of IEC 60317-0-1. Above that
    from memory: 4 um to 0.4 mm, 5 um to 0.5 mm, then 1 %.
    """
    if bare < 0.2499e-3:
        return 3e-6
    if bare < 0.3999e-3:
        return 4e-6
    return max(5e-6, 0.01 * bare)


def at_temperature(resistance: float, metal: Metal, kelvin: float) -> float:
    """Convert a resistance at 20 C to another temperature [K]; IEC 60028."""
    return resistance * (1 + metal.temperature_coefficient * (kelvin - ROOM))


def identify(
    length: float,
    resistance: float,
    *,
    relative_uncertainty: float,
    overall: float | None = None,
    temperature: float = ROOM,
) -> tuple[Identified, ...]:
    """Name a salvaged wire by the resistance of a measured length, likely ones first.

    Args:
        length: Length of the piece [m].
        resistance: Resistance of the piece, without the leads of the meter [ohm].
        relative_uncertainty: Standard uncertainty of resistance over length; that of the metal
            (0.5 %) is added.
        overall: Diameter over the enamel, by a micrometer or by winding side by side on a rod [m].
        temperature: Temperature of the wire [K].

    Raises:
        UsageError: If a value is not positive, or the diameter found is no wire for a coil.
    """
    for name, value in (("length", length), ("resistance", resistance)):
        if not (math.isfinite(value) and value > 0):
            raise UsageError(f"the {name} {value:g} is not positive", remedy="Measure it again")
    found = []
    for metal in (COPPER, ALUMINIUM):
        cold = resistance / at_temperature(1.0, metal, temperature)
        bare = math.sqrt(4 * length / (math.pi * metal.conductivity[1] * cold))
        enamel = None if overall is None else overall - bare
        relative = 0.5 * math.hypot(relative_uncertainty, 0.005)
        # Bare wire has none, grade 3 some 2.3 times the enamel of grade 1 (from memory); the
        # rest is the error of either diameter.
        thickest = 2.3 * _enamel(bare * 1e3, 2) / 1e3
        slack = 2 * relative * bare + 0.01e-3
        plausible = enamel is None or -slack <= enamel <= thickest + slack
        found.append(Identified(metal, bare, relative * bare, _nearest(bare), plausible))
    if not any(THINNEST <= one.bare <= THICKEST for one in found):
        raise UsageError(
            f"{resistance:g} ohm over {length:g} m means {found[0].bare * 1e3:.3g} mm of copper, "
            "no wire for a coil",
            remedy="Check length and resistance, and that the meter's leads are taken off",
        )
    return tuple(sorted(found, key=lambda one: not one.plausible))


def in_words(candidates: tuple[Identified, ...]) -> Finding:
    """Say what `identify` found, with the next step."""
    likely = [one for one in candidates if one.plausible]
    named = " or ".join(
        f"{one.metal.name} of {one.bare * 1e3:.4f} mm (95 % within "
        f"{1.96e3 * one.standard_uncertainty:.4f} mm; nearest preferred size "
        f"{one.preferred * 1e3:.3f} mm)"
        for one in likely
    )
    if not likely:
        return Finding(
            "wire-unknown",
            "Resistance and overall diameter suit neither copper nor aluminium: stranded, plated "
            "or alloy wire, or a slip in one of them",
            next_step="Measure a longer piece.",
        )
    if len(likely) == 1:
        return Finding("wire-named", f"The wire is {named}.")
    return Finding(
        "wire-ambiguous",
        f"The wire is {named}. Its look where the enamel is scraped off tells the metal, and so "
        "does its diameter.",
    )


def _nearest(bare: float) -> float:
    at = min(bisect_left(PREFERRED_MM, bare * 1e3), len(PREFERRED_MM) - 1)
    nearest = min(PREFERRED_MM[max(0, at - 1) : at + 1], key=lambda d: abs(d - bare * 1e3))
    return nearest / 1e3


def _enamel(bare_mm: float, column: int) -> float:
    """Overall less bare diameter [mm]: a power law through the neighbours in the table."""
    at = sum(row[0] < bare_mm for row in _GRADE_1)
    right = min(max(at, 1), len(_GRADE_1) - 1)
    if not _GRADE_1[0][0] <= bare_mm <= _GRADE_1[-1][0]:
        left, right = 0, len(_GRADE_1) - 1  # beyond the table its mean slope is the better guide
    else:
        left = right - 1
    d1, d2 = _GRADE_1[left][0], _GRADE_1[right][0]
    e1, e2 = (_GRADE_1[i][column] - _GRADE_1[i][0] for i in (left, right))
    return float(e1 * (bare_mm / d1) ** (math.log(e2 / e1) / math.log(d2 / d1)))
