"""A voice coil as wound: turns, size, resistance, mass, clearance in its gap."""

from __future__ import annotations

import math
from dataclasses import dataclass

from fit.design.wire import Wire, at_temperature
from fit.results.judge import Target
from meas.errors import Finding, UsageError

SAFE_CLEARANCE = 0.2e-3
"""Free space on either side of a coil below which a hand-built one is likely to rub [m]
(common practice, no source)."""

CAUTIOUS_DENSITY = 30e6
"""Lasting current density in the wire above which a coil in still air runs hot [A/m2] (common
practice, no source; short peaks may be several times as high)."""


MOST_LAYERS, MOST_TURNS = 32, 10**9
"""Limits of any coil: voice coils have 2, 4 or 8 layers (common practice, no source)."""


@dataclass(frozen=True)
class Former:
    """The tube that carries the coil.

    Attributes:
        inside_diameter: Inside diameter [m].
        thickness: Thickness of its wall, paper and glue included [m].
    """

    inside_diameter: float
    thickness: float

    def __post_init__(self) -> None:
        """Check that there is a tube."""
        if not (self.inside_diameter > 0 and 0 <= self.thickness < self.inside_diameter):
            raise UsageError(
                f"a former of {self.inside_diameter * 1e3:g} mm inside and "
                f"{self.thickness * 1e3:g} mm wall is no tube",
                remedy="Give its inside diameter and the thickness of its wall",
            )

    @property
    def diameter(self) -> float:
        """Outside diameter, on which the first layer lies [m]."""
        return self.inside_diameter + 2 * self.thickness


@dataclass(frozen=True)
class Gap:
    """The air gap of the magnet system.

    Attributes:
        pole_diameter: Diameter of the pole inside the coil [m].
        plate_diameter: Diameter of the hole in the plate around it [m].
        height: Height of the plate at the hole [m].
    """

    pole_diameter: float
    plate_diameter: float
    height: float

    def __post_init__(self) -> None:
        """Check that there is a gap."""
        if not (0 < self.pole_diameter < self.plate_diameter and self.height > 0):
            raise UsageError(
                f"a pole of {self.pole_diameter * 1e3:g} mm in a hole of "
                f"{self.plate_diameter * 1e3:g} mm leaves no gap",
                remedy="Give the diameters of pole and hole, and the height of the plate",
            )


@dataclass(frozen=True)
class Coil:
    """A wound coil. Layers lie one on the other, each a full overall diameter high.

    That is the safe assumption for the clearance: wires sink into the grooves of the layer below
    only where both are wound with the same hand, and every second layer is not. Turns lie side by
    side; a last layer may be part full.

    >>> from fit.design.wire import enamelled
    >>> coil = Coil(enamelled(0.2e-3), Former(20e-3, 0.1e-3), layers=4, turns=152)
    >>> low, nominal, high = coil.resistance
    >>> print(f"{nominal:.2f} ohm ({low:.2f} to {high:.2f}), {1e3 * coil.height:.1f} mm high")
    5.48 ohm (5.27 to 5.69), 8.4 mm high

    Attributes:
        turns: Number of turns in all layers together.
    """

    wire: Wire
    former: Former
    layers: int
    turns: int

    def __post_init__(self) -> None:
        """Check that every layer has a turn, and that somebody could wind them."""
        if self.layers > MOST_LAYERS or self.turns > MOST_TURNS:
            raise UsageError(
                f"{self.turns} turns in {self.layers} layers are no voice coil",
                remedy=f"Give at most {MOST_LAYERS} layers and {MOST_TURNS} turns",
            )
        if self.layers < 1 or self.turns < self.layers:
            raise UsageError(
                f"{self.turns} turns in {self.layers} layers leave a layer without a turn",
                remedy="Give at least one layer, and one turn for each",
            )

    @property
    def turns_per_layer(self) -> tuple[int, ...]:
        """Turns of each layer from the former outwards."""
        full = math.ceil(self.turns / self.layers)
        left = self.turns
        rows = []
        for remaining in range(self.layers, 0, -1):
            rows.append(min(full, left - remaining + 1))
            left -= rows[-1]
        return tuple(rows)

    @property
    def mean_diameters(self) -> tuple[float, ...]:
        """Diameter of the wire's centre line in each layer [m]."""
        first = self.former.diameter + self.wire.overall
        return tuple(first + 2 * k * self.wire.overall for k in range(self.layers))

    @property
    def length(self) -> float:
        """Length of the wire, without leads [m]."""
        return math.pi * sum(
            n * d for n, d in zip(self.turns_per_layer, self.mean_diameters, strict=True)
        )

    @property
    def height(self) -> float:
        """Height of the winding along the axis [m]."""
        return max(self.turns_per_layer) * self.wire.overall

    @property
    def outside_diameter(self) -> float:
        """Diameter over the last layer, of the thickest wire that the standard allows [m]."""
        return self.former.diameter + 2 * self.layers * self.wire.overall_max

    @property
    def resistance(self) -> tuple[float, float, float]:
        """Lowest, nominal and highest at 20 C by the limits of the wire, without leads [ohm]."""
        low, nominal, high = self.wire.ohm_per_metre
        return (low * self.length, nominal * self.length, high * self.length)

    def resistance_at(self, kelvin: float) -> float:
        """Nominal resistance at a temperature [K]."""
        return at_temperature(self.resistance[1], self.wire.metal, kelvin)

    @property
    def mass(self) -> float:
        """Mass of the wire with enamel, without glue and leads [kg]."""
        return self.length * self.wire.kilogram_per_metre

    @property
    def air_core_inductance(self) -> float:
        """Inductance without iron [H]; the iron and a metal former change it several-fold.

        L = 0.8 a^2 N^2/(6 a + 9 b + 10 c) uH, mean radius a, winding height b and depth c in
        inches: H. A. Wheeler, Simple inductance formulas for radio coils, Proc. IRE 16(10), 1928,
        1398 (from memory). Against the sum over all pairs of turns it errs by up to 5 % for voice
        coils (tests/fitting/design/test_winding.py).
        """
        inch = 0.0254
        a = sum(self.mean_diameters) / len(self.mean_diameters) / 2 / inch
        b, c = self.height / inch, self.layers * self.wire.overall / inch
        return 0.8e-6 * (a * self.turns) ** 2 / (6 * a + 9 * b + 10 * c)

    def length_in_gap(self, gap_height: float) -> float:
        """Length of wire within the plate's height, coil centred, field outside neglected [m]."""
        return self.length * min(1.0, gap_height / self.height)

    def clearances(self, gap: Gap) -> tuple[float, float]:
        """Free space between pole and former, and between coil and plate [m]."""
        return (
            (self.former.inside_diameter - gap.pole_diameter) / 2,
            (gap.plate_diameter - self.outside_diameter) / 2,
        )

    def fill(self, gap: Gap) -> float:
        """Share of the gap's cross section that is the wire's metal."""
        metal = self.wire.bare_area * self.turns * self.length_in_gap(gap.height) / self.length
        return metal / (gap.height * (gap.plate_diameter - gap.pole_diameter) / 2)

    def power_at_density(self) -> float:
        """Power into the cold coil at `CAUTIOUS_DENSITY` in the wire [W]."""
        current = CAUTIOUS_DENSITY * self.wire.bare_area
        return current**2 * self.resistance[1]


def cautions(
    coil: Coil, gap: Gap | None = None, power: float | None = None, *, metal_former: bool = False
) -> tuple[Finding, ...]:
    """Find what speaks against a coil: it does not fit, is likely to rub, or would run hot.

    Args:
        power: Lasting power [W].
    """
    found = []
    if metal_former:
        found.append(
            Finding(
                "metal-former",
                "A closed ring of metal is a shorted turn that brakes the cone (low Qms). Leave a "
                "slit of about 1 mm along the whole former, and insulate it from the wire.",
            )
        )
    if gap is not None:
        for free, place in zip(
            coil.clearances(gap), ("between pole and former", "between coil and plate"), strict=True
        ):
            if free <= 0:
                found.append(
                    Finding(
                        "does-not-fit",
                        f"The coil does not fit: {-free * 1e3:.2f} mm are missing {place}.",
                        refuses=True,
                    )
                )
            elif free < SAFE_CLEARANCE:
                found.append(
                    Finding(
                        "tight-gap",
                        f"Only {free * 1e3:.2f} mm {place}: a hand-built coil needs about "
                        f"{SAFE_CLEARANCE * 1e3:g} mm on each side not to rub.",
                    )
                )
    if coil.layers % 2:
        found.append(
            Finding(
                "odd-layers",
                f"With {coil.layers} layers the wire ends at the far side of the coil; an even "
                "number brings both ends to the cone.",
            )
        )
    if power is not None and power > (limit := coil.power_at_density()):
        density = math.sqrt(power / coil.resistance[1]) / coil.wire.bare_area
        found.append(
            Finding(
                "hot-coil",
                f"{power:.3g} W drive {density / 1e6:.0f} A/mm2 through the wire; above "
                f"{CAUTIOUS_DENSITY / 1e6:.0f} A/mm2 (here {limit:.2g} W) for long, the coil runs "
                "hot enough to soften enamel and glue",
                next_step="Use thicker wire or less power.",
            )
        )
    return tuple(found)


def targets(coil: Coil) -> tuple[Target, ...]:
    """Make targets that a driver with this coil should meet: its resistance.

    The limits are those of the wire, the upper one raised by 3 % for leads and for wire drawn
    thinner in winding (common practice, no source).
    """
    low, nominal, high = coil.resistance
    return (Target("Re", nominal, low, 1.03 * high),)


def turns_in_height(wire: Wire, layers: int, height: float) -> int:
    """Count the turns that fill a winding height [m] with whole layers."""
    return layers * math.floor(height / wire.overall * (1 + 1e-9))
