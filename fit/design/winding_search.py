"""Coils that can be wound for a wanted resistance."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass

from fit.design.winding import Coil, Former, Gap, cautions
from fit.design.wire import Wire
from meas.errors import Refused, UsageError

_MOST_HEIGHT, _MOST_BUILD = 1.0, 0.08
"""Height, and thickness of all layers, over the former's diameter, beyond which a coil is none of
a loudspeaker (common practice, no source)."""


@dataclass(frozen=True)
class WantedCoil:
    """Requirements on a coil.

    Attributes:
        resistance: Resistance at 20 C [ohm].
        at_least: Whether even the lowest resistance by the limits of the wire must reach it, as
            for an amplifier that tolerates no less; else the nominal one is to come close.
        height: Greatest winding height [m]; None where it does not matter.
        gap: Gap it is to work in; None where it does not matter.
    """

    resistance: float
    at_least: bool = False
    height: float | None = None
    gap: Gap | None = None


def solutions(
    wanted: WantedCoil, former: Former, wires: Iterable[Wire], layer_counts: Iterable[int]
) -> tuple[Coil, ...]:
    """Find coils of whole layers that can be built and are shaped like voice coils.

    Those closest to the wanted resistance come first.

    Args:
        layer_counts: Numbers of layers to try, such as 2 and 4: coils have 2, 4 or 8 layers
            (common practice, no source).

    Raises:
        UsageError: If the resistance is not positive or nothing is at hand.
        Refused: Code ``no-coil`` when nothing fits; says what came closest and what it lacks.
    """
    if not (math.isfinite(wanted.resistance) and wanted.resistance > 0):
        raise UsageError(
            f"a resistance of {wanted.resistance:g} ohm cannot be wound",
            remedy="Wish for a positive one",
        )
    candidates = [
        coil
        for wire in wires
        for layers in layer_counts
        for coil in _candidates(wanted, former, wire, layers)
    ]
    if not candidates:
        raise UsageError("no wire or no number of layers to try", remedy="Give at least one each")
    candidates.sort(key=lambda coil: _distance(wanted, coil))
    good = tuple(coil for coil in candidates if not _lacks(wanted, coil))
    if good:
        return good
    nearest = min(candidates, key=lambda coil: (len(_lacks(wanted, coil)), _distance(wanted, coil)))
    raise Refused.because(
        "no-coil",
        f"No coil of these wires and layers fits. Closest: {nearest.layers} layers of "
        f"{nearest.wire.bare * 1e3:.3g} mm, {nearest.turns} turns, {nearest.resistance[1]:.3g} "
        f"ohm; but {'; '.join(_lacks(wanted, nearest))}",
        remedy="Try thinner wire, other numbers of layers, or more room",
    )


def _candidates(wanted: WantedCoil, former: Former, wire: Wire, layers: int) -> list[Coil]:
    """The coils of whole layers on both sides of the wanted one, or the first above it."""
    one = Coil(wire, former, layers, layers)
    per_turn = one.resistance[0 if wanted.at_least else 1]
    whole = wanted.resistance / per_turn  # turns in each layer
    counts = {math.ceil(whole)} if wanted.at_least else {math.floor(whole), math.ceil(whole)}
    return [Coil(wire, former, layers, layers * max(1, count)) for count in sorted(counts)]


def _distance(wanted: WantedCoil, coil: Coil) -> float:
    return abs(math.log(coil.resistance[0 if wanted.at_least else 1] / wanted.resistance))


def _lacks(wanted: WantedCoil, coil: Coil) -> list[str]:
    lacks = [f.text for f in cautions(coil, wanted.gap) if f.refuses]
    diameter = coil.former.diameter
    build = coil.layers * coil.wire.overall
    if coil.height > _MOST_HEIGHT * diameter or build > _MOST_BUILD * diameter:
        lacks.append(
            f"it would be {coil.height * 1e3:.0f} mm high and {build * 1e3:.1f} mm thick on a "
            f"former of {diameter * 1e3:.0f} mm, which is no voice coil."
        )
    if wanted.height is not None and coil.height > wanted.height * (1 + 1e-9):
        lacks.append(
            f"its winding is {coil.height * 1e3:.1f} mm high where {wanted.height * 1e3:.1f} mm "
            "may be."
        )
    reached = coil.resistance[0 if wanted.at_least else 1]
    if _distance(wanted, coil) > 0.1 or (wanted.at_least and reached < wanted.resistance):
        lacks.append(f"it has {reached:.3g} ohm where {wanted.resistance:.3g} ohm are wished.")
    return lacks
