"""Inputs of a fit: curves with their conditions, and the other things measured."""

from __future__ import annotations

from dataclasses import dataclass

from fit.given.air_load import Mounting
from meas.curve import Curve


@dataclass(frozen=True)
class Stated:
    """A value that its owner states with limits.

    Attributes:
        value: In SI base units.
        half_width: Half-width of the limits, in the same unit; the error is taken as
            rectangular between them (JCGM 100:2008, 4.3.7).
        source: Identity of the error: values with one source share one error.
        text: In words, with its size, for budgets and reports.
    """

    value: float
    half_width: float
    source: str
    text: str

    @property
    def standard_uncertainty(self) -> float:
        """Half-width over the square root of three, in the value's unit."""
        return float(self.half_width / 3**0.5)


@dataclass(frozen=True)
class FreeAir:
    """Nothing added: the driver hangs or is clamped in free air."""

    name = "free-air"


@dataclass(frozen=True)
class AddedMass:
    """A known mass sits on the cone [kg]."""

    mass: Stated
    name = "added-mass"


@dataclass(frozen=True)
class TestBox:
    """The driver closes a sealed, unlined box of known net volume [m3]."""

    volume: Stated
    name = "test-box"
    __test__ = False  # pytest would collect the name


Condition = FreeAir | AddedMass | TestBox


@dataclass(frozen=True, eq=False)
class MeasuredCurve:
    """One curve and the condition it was measured under.

    Attributes:
        source: Where it came from, for messages and reports.
        condition: Free air, added mass or test box.
    """

    source: str
    curve: Curve
    condition: Condition

    @property
    def of_readings(self) -> bool:
        """Tell whether nobody states its random error, as of a table typed in."""
        return self.curve.standard_uncertainty_ohm is None


@dataclass(frozen=True)
class Session:
    """Values measured besides curves; None where one was not.

    Attributes:
        area: Effective cone area [m2].
        measured_re: Coil resistance by multimeter [ohm].
        moving_parts: Weighed moving parts, air load not included [kg].
        pressure: Station air pressure [Pa].
        temperature: Air temperature [K].
        mounting: How the driver was mounted, which determines the air that moves with its cone.
    """

    area: Stated | None
    measured_re: Stated | None
    moving_parts: Stated | None
    pressure: Stated
    temperature: Stated
    relative_humidity: Stated
    mounting: Mounting = "free"
