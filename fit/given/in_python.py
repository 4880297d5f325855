"""Inputs of a fit written in Python: curves under their conditions, and the session.

Values are in SI base units. Everything that somebody measured is a pair of value and half-width
of its limits, such as ``(7.5e-3, 0.1e-3)`` for 7.5 g ± 0.1 g: nothing is known exactly, and no
limits are assumed here on anybody's behalf.
"""

from __future__ import annotations

import math
import warnings
from dataclasses import dataclass
from pathlib import Path
from typing import Protocol

from fit.given.air_load import Mounting
from fit.given.measured import (
    AddedMass,
    Condition,
    FreeAir,
    MeasuredCurve,
    Session,
    Stated,
    TestBox,
)
from fit.given.standards import ROOM
from meas.curve import Curve
from meas.errors import Finding, Refused, UsageError, refusals

Pair = tuple[float, float]
"""A value and the half-width of its limits, SI base units."""

ROOM_TEMPERATURE = (ROOM, 8.0)
"""A heated room [K] (common practice, no source)."""
ROOM_HUMIDITY = (0.5, 0.3)
"""Relative humidity of rooms, as a fraction (common practice, no source)."""


@dataclass(frozen=True)
class StatedQuantity:
    """A quantity that its owner states: what it may be, and how it is written in words.

    Attributes:
        smallest: Least value that no slipped unit explains.
        largest: Greatest value that no slipped unit explains.
        base: Name of its SI base unit.
        unit: Name of the unit that people use.
        scale: Size of that unit in the base unit.
    """

    words: str
    smallest: float
    largest: float
    base: str
    unit: str
    scale: float


STATED = {
    "mass": StatedQuantity("added mass", 1e-6, 20.0, "kg", "g", 1e-3),
    "moving_parts": StatedQuantity("weighed moving parts", 1e-6, 20.0, "kg", "g", 1e-3),
    "volume": StatedQuantity("test box", 1e-7, 10.0, "m3", "L", 1e-3),
    "diameter": StatedQuantity("cone diameter", 5e-3, 1.0, "m", "mm", 1e-3),
    "area": StatedQuantity("cone area", 2e-5, 1.0, "m2", "cm²", 1e-4),
    "measured_re": StatedQuantity("multimeter", 1e-3, 1e10, "ohm", "Ω", 1.0),
    "pressure": StatedQuantity("air pressure", 5e4, 1.1e5, "Pa", "hPa", 1e2),
    "temperature": StatedQuantity("air temperature", 243.15, 333.15, "K", "K", 1.0),
    "relative_humidity": StatedQuantity("air humidity", 0.01, 1.0, "1", "%", 1e-2),
}


class TakeCondition(Protocol):
    """Condition of the driver in a take; `meas.takes.take.TakeCondition` is one."""

    @property
    def name(self) -> str:
        """``free-air``, ``added-mass`` or ``test-box``."""

    @property
    def value(self) -> float | None:
        """The mass [kg] or the net volume [m3]; None in free air."""

    @property
    def half_width(self) -> float | None:
        """Half-width of its limits, same unit; None where nobody stated any."""

    @property
    def written(self) -> str:
        """Value as the person wrote it."""


class TakeOfDriver(Protocol):
    """Part of a take that a fit needs; `meas.takes.take.Take` is one."""

    @property
    def unit(self) -> str:
        """Name of the unit that was measured."""

    @property
    def kind(self) -> str:
        """``driver``, or what else was measured."""

    @property
    def condition(self) -> TakeCondition:
        """Condition in which it was measured."""

    @property
    def findings(self) -> tuple[Finding, ...]:
        """All findings about validity."""

    @property
    def curve(self) -> Curve | None:
        """Impedance; None when refused."""

    @property
    def path(self) -> Path | None:
        """Folder of the take."""


def of_take(take: TakeOfDriver, half_width: float | None = None) -> MeasuredCurve:
    """Read the curve of a take under the condition that the take itself states.

    The findings of the take are issued as Python warnings.

    Args:
        half_width: Limits of its mass [kg] or volume [m3], where the take states none.

    Raises:
        Refused: If the take was refused when it was made.
        UsageError: If it is not of a driver, or its mass or volume has no limits, or two.
    """
    condition = take.condition
    where = f"{take.unit}, {condition.name}" if take.path is None else str(take.path)
    refusing = refusals(take.findings)
    if refusing or take.curve is None:
        raise Refused(
            refusing or [Finding("no-curve", "the take holds no curve", refuses=True)],
            where=where,
            remedy="This take was refused when it was made and supports no numbers. Measure again.",
        )
    if take.kind != "driver":
        raise UsageError(
            f"is a take of a {take.kind}, not of a driver",
            where=where,
            remedy="Fit takes of kind 'driver'.",
        )
    for finding in take.findings:
        warnings.warn(f"{where}: {finding.code}: {finding.text}", stacklevel=2)
    return MeasuredCurve(where, take.curve, _condition(condition, half_width, where))


def _condition(condition: TakeCondition, half_width: float | None, where: str) -> Condition:
    if condition.value is None:
        if half_width is not None:
            raise UsageError("free air has no limits", where=where, remedy="Leave them out.")
        return FreeAir()
    if (condition.half_width is None) == (half_width is None):
        least = "the take states none" if half_width is None else "the take states its own"
        raise UsageError(
            f"limits of {condition.written or condition.value}: {least}",
            where=where,
            remedy="Give half_width exactly where the take has none, in SI base units: 0.1e-3 for "
            "±0.1 g or ±0.1 L.",
        )
    limits = condition.half_width if half_width is None else half_width
    name = "mass" if condition.name == "added-mass" else "volume"
    value = stated(name, (condition.value, limits or 0.0), f"{name}:{condition.written}")
    return AddedMass(value) if name == "mass" else TestBox(value)


def in_free_air(curve: Curve, source: str = "free air") -> MeasuredCurve:
    """State that a curve shows the driver alone.

    Args:
        curve: Curve from `meas.load_curve`, or made from arrays.
        source: Where it came from, for messages.
    """
    return MeasuredCurve(source, curve, FreeAir())


def with_added_mass(curve: Curve, mass: Pair, source: str = "added mass") -> MeasuredCurve:
    """State that a curve was taken with a known mass on the cone.

    Args:
        curve: Curve from `meas.load_curve`, or made from arrays.
        mass: Mass and half-width of its limits [kg]. Equal pairs are one piece, weighed
            once: they share their error.
        source: Where it came from, for messages.

    Raises:
        UsageError: If the mass or its limits are absurd.
    """
    return MeasuredCurve(source, curve, AddedMass(stated("mass", mass, _identity("mass", mass))))


def in_test_box(curve: Curve, volume: Pair, source: str = "test box") -> MeasuredCurve:
    """State that a curve was taken on a sealed, unlined box.

    Args:
        curve: Curve from `meas.load_curve`, or made from arrays.
        volume: Net volume and half-width of its limits [m3]. Equal pairs are one box.
        source: Where it came from, for messages.

    Raises:
        UsageError: If the volume or its limits are absurd.
    """
    box = TestBox(stated("volume", volume, _identity("volume", volume)))
    return MeasuredCurve(source, curve, box)


def session(
    *,
    pressure: Pair,
    temperature: Pair = ROOM_TEMPERATURE,
    relative_humidity: Pair = ROOM_HUMIDITY,
    diameter: Pair | None = None,
    area: Pair | None = None,
    measured_re: Pair | None = None,
    moving_parts: Pair | None = None,
    mounting: Mounting = "free",
) -> Session:
    """State everything measured besides curves, each with the half-width of its limits.

    >>> here = session(pressure=(101e3, 300.0), diameter=(0.118, 0.001))
    >>> print(here.area.text)
    cone diameter 118 mm ± 1 mm
    >>> print(f"{1e4 * here.area.value:.1f} cm2")
    109.4 cm2

    Args:
        pressure: Station air pressure, not reduced to sea level [Pa]: it goes straight into Vas,
            and nobody knows at what height you live.
        temperature: Air temperature [K].
        relative_humidity: Relative humidity, as a fraction.
        diameter: Diameter of the cone, from mid-surround to mid-surround [m].
        area: Effective cone area instead [m2].
        measured_re: Coil resistance by multimeter [ohm].
        moving_parts: Weighed moving parts without their air [kg].
        mounting: ``free`` or ``baffle``: which air moves with them.

    Raises:
        UsageError: If a value or its limits are absurd, or diameter and area are both given.
    """
    if diameter is not None and area is not None:
        raise UsageError(
            "diameter and area are both given",
            where="session",
            remedy="Give one of them: the diameter from mid-surround to mid-surround, or the area.",
        )
    ruler = None if area is None else stated("area", area, "ruler")
    if diameter is not None:
        across = stated("diameter", diameter, "ruler")
        # S = pi d^2/4; limits to first order.
        wide, reach = across.value, across.half_width
        ruler = Stated(math.pi * wide**2 / 4, math.pi * wide / 2 * reach, "ruler", across.text)
    return Session(
        area=ruler,
        measured_re=None if measured_re is None else stated(
            "measured_re", measured_re, "multimeter"
        ),
        moving_parts=None if moving_parts is None else stated(
            "moving_parts", moving_parts, "moving-parts"
        ),
        pressure=stated("pressure", pressure, "air-pressure"),
        temperature=stated("temperature", temperature, "air-temperature"),
        relative_humidity=stated("relative_humidity", relative_humidity, "air-humidity"),
        mounting=mounting,
    )  # fmt: skip


def stated(name: str, pair: Pair, source: str) -> Stated:
    """Check a value with limits.

    Args:
        name: One of `STATED`.
        pair: Value and half-width of its limits.
        source: Identity of its error.

    Raises:
        UsageError: If it is no such pair, or of a size that only another unit explains.
    """
    quantity = STATED[name]
    try:
        value, half_width = (float(number) for number in pair)
    except (TypeError, ValueError) as error:
        raise UsageError(
            f"{pair!r} is no pair of a value and the half-width of its limits",
            where=name,
            remedy=f"Write for example ({quantity.scale:g}, {quantity.scale / 100:g}), in "
            f"{quantity.base}.",
        ) from error
    if not quantity.smallest <= value <= quantity.largest:
        raise UsageError(
            f"{value:g} {quantity.base} is outside what the {quantity.words} can be, "
            f"{quantity.smallest:g} to {quantity.largest:g} {quantity.base}",
            where=name,
            remedy=f"Values are in SI base units: {quantity.scale:g} for 1 {quantity.unit}.",
        )
    if not 0 < half_width < value:
        raise UsageError(
            f"limits of ±{half_width:g} {quantity.base} on {value:g} {quantity.base}",
            where=name,
            remedy="Give what the instrument promises: more than nothing, less than the value.",
        )
    return Stated(
        value, half_width, source, f"{quantity.words} {_written(name, (value, half_width))}"
    )


def _written(name: str, pair: Pair) -> str:
    quantity = STATED[name]
    value, half_width = (float(f"{number / quantity.scale:.9g}") for number in pair)
    return f"{value:.9g} {quantity.unit} ± {half_width:.3g} {quantity.unit}"


def _identity(name: str, pair: Pair) -> str:
    """Identity that the command line gives to the same value written ``7.5g±0.1g``."""
    try:
        return f"{name}:{_written(name, pair).replace(' ', '')}"
    except (TypeError, ValueError):
        return name  # `stated` refuses such a pair
