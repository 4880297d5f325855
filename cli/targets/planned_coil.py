"""What a targets file knows of the coil, as `fit.diagnosis.explain` takes it."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from cli.sources.targets_file import Winding
    from fit.diagnosis.known_coil import KnownCoil


def coil(winding: Winding) -> KnownCoil:
    """The planned coil as far as the file tells."""
    from fit.design import wire
    from fit.diagnosis.known_coil import KnownCoil

    return KnownCoil(
        metal=wire.ALUMINIUM if winding.wire == "aluminium" else wire.COPPER,
        wire_diameter=winding.wire_diameter_m,
        turns=winding.turns,
        layers=winding.layers,
        former_diameter=winding.former_diameter_m,
        gap_height=winding.gap_height_m,
    )
