"""Facts that a builder knows about a coil, some or all of them."""

from __future__ import annotations

from dataclasses import dataclass

from fit.design.winding import Coil, Former, targets
from fit.design.wire import COPPER, Metal, enamelled
from fit.results.judge import Target


@dataclass(frozen=True)
class KnownCoil:
    """Facts about a coil; None where one is not known.

    Attributes:
        wire_diameter: Diameter of the bare metal [m].
        turns: Number of turns in all layers together.
        former_diameter: Outside diameter of the former, on which the wire lies [m].
        gap_height: Height of the plate at the gap [m].
    """

    metal: Metal = COPPER
    wire_diameter: float | None = None
    turns: float | None = None
    layers: int | None = None
    former_diameter: float | None = None
    gap_height: float | None = None

    @property
    def coil(self) -> Coil | None:
        """The coil; None where too little is known to wind it.

        Raises:
            UsageError: If the facts contradict each other.
        """
        if None in (self.wire_diameter, self.turns, self.layers, self.former_diameter):
            return None
        wire = enamelled(self.wire_diameter or 0.0, self.metal)
        former = Former(self.former_diameter or 0.0, 0.0)
        return Coil(wire, former, self.layers or 0, round(self.turns or 0))

    @property
    def targets(self) -> tuple[Target, ...]:
        """Targets of a driver with this coil; empty where too little is known."""
        return () if self.coil is None else targets(self.coil)

    @property
    def mass(self) -> float | None:
        """Mass of the wire [kg]."""
        return None if self.coil is None else self.coil.mass

    @property
    def length_in_gap(self) -> float | None:
        """Length of wire within the height of the gap [m]."""
        if self.coil is None or self.gap_height is None:
            return None
        return self.coil.length_in_gap(self.gap_height)
