"""Mass of the air that moves with a cone, by how the driver is mounted."""

from __future__ import annotations

from typing import Literal

Mounting = Literal["free", "baffle"]

_PER_SIDE = 8 / 3


def air_load(density: float, radius: float, mounting: Mounting) -> float:
    """Mass of the air that a piston moves on both its sides, at low frequencies [kg].

    In an infinite baffle each side carries 8/3 rho a^3 (L. Beranek, Acoustics, 1954, ch. 5: the
    limit of the piston's reactance for wavelengths beyond its girth; above that it falls). A disc
    in free air carries half of the two together (H. Lamb, Hydrodynamics, 6th ed., 1932, art. 102).

    Args:
        density: Density of the air [kg/m3].
        radius: Radius of the piston [m].
        mounting: ``free``, frame open on both sides; ``baffle``, rim in a large board or in a
            face plate.
    """
    sides = 2 if mounting == "baffle" else 1
    return sides * _PER_SIDE * density * radius**3
