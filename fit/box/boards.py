"""The boards of a box: from its net volume and the thickness of the board to a cutting list."""

from __future__ import annotations

import math
from dataclasses import dataclass

RATIO = (1.0, 2 ** (1 / 3), 2 ** (2 / 3))
"""Depth to width to height inside: thirds of an octave apart, so that no two standing waves of the
box fall together (common practice, no source)."""
_OF_CUBE = 0.25
"""Volume behind the baffle of a driver over the cube of its cone's diameter (common practice, no
source; half to twice that is seen)."""


@dataclass(frozen=True)
class Board:
    """Equal boards.

    Attributes:
        name: What they become.
        length: The longer side [m].
        width: The shorter side [m].
    """

    name: str
    count: int
    length: float
    width: float


@dataclass(frozen=True)
class Boards:
    """A box of six boards: front and back cover the edges of the others.

    Attributes:
        inside: Depth, width and height [m].
        outside: The same outside [m].
        thickness: Thickness of the board [m].
        driver_volume: Taken off for the driver [m3].
        vent_volume: Taken off for the vent [m3].
    """

    inside: tuple[float, float, float]
    outside: tuple[float, float, float]
    thickness: float
    driver_volume: float
    vent_volume: float
    boards: tuple[Board, ...]


def driver_volume(diameter: float) -> float:
    """Rough volume that a driver takes in its box [m3], from its cone's diameter [m]."""
    return _OF_CUBE * diameter**3


def vent_volume(bore: float, length: float, wall: float, tubes: int = 1) -> float:
    """Volume that round tubes take inside, their air counted too [m3].

    The air in a vent belongs to its mass and not to the spring of the box.

    Args:
        bore: Inner diameter [m].
        length: Inside the box [m].
        wall: Thickness of the wall [m].
    """
    return tubes * length * math.pi / 4 * (bore + 2 * wall) ** 2


def cut(net: float, thickness: float, driver: float, vent: float) -> Boards:
    """Cut a box in the proportions of `RATIO`.

    Args:
        net: Volume net of driver and vent [m3].
        thickness: Thickness of the board [m].
        driver: Volume that the driver takes [m3].
        vent: Volume that the vent takes [m3].
    """
    unit = ((net + driver + vent) / math.prod(RATIO)) ** (1 / 3)
    depth, width, height = (unit * part for part in RATIO)
    deep, wide, high = (inside + 2 * thickness for inside in (depth, width, height))
    boards = (
        Board("front and back", 2, high, wide),
        Board("sides", 2, height, depth),
        Board("top and bottom", 2, max(wide, depth), min(wide, depth)),
    )
    return Boards((depth, width, height), (deep, wide, high), thickness, driver, vent, boards)
