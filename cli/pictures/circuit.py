"""The circuit of a crossover: a row for each branch, from the amplifier to the driver."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from cli.pictures.plots import INK, drawing, short_name
from fit.results.numbers import with_prefix

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from fit.crossover.network import Branch, NetworkArm, NetworkPart

_WIDE, _HIGH = 1.5, 1.25  # room of a part in the line, and of one across it
_LEAD, _DRIVER = 1.4, 2.1
_INCH = 0.72


def circuit_figure(branches: Sequence[Branch]) -> Figure:
    """Draw the branches below each other, plus at the upper line of each."""
    from matplotlib.patches import Circle

    wide = _LEAD + _DRIVER + max(sum(_room(arm) for arm in one.arms) for one in branches)
    deep = [max((_depth(arm) for arm in one.arms), default=_HIGH) for one in branches]
    height = sum(deep) + 1.15 * len(branches)
    with drawing(_INCH * height + 0.3, max(7.4, _INCH * wide)) as figure:
        axes = figure.subplots()
        axes.set_axis_off()
        top = 0.0
        for one, down in zip(branches, deep, strict=True):
            x = _LEAD
            for y in (top, top - down):
                axes.add_patch(Circle((_LEAD - 0.5, y), 0.07, fill=False, color=INK))
                _line(axes, (_LEAD - 0.43, y), (_LEAD, y))
            axes.text(_LEAD - 0.7, top - down / 2, "amplifier", ha="right", va="center",
                      fontsize=8.5)  # fmt: skip
            axes.text(_LEAD - 0.7, top, "+", ha="right", va="center")
            for arm in one.arms:
                room = _room(arm)
                if arm.place == "series":
                    for part in arm.parts:
                        _part(axes, part, (x, top), (x + _WIDE, top))
                        x += _WIDE
                    _line(axes, (x - room, top - down), (x, top - down))
                    continue
                here, y = x + 0.25, top
                for part in arm.parts:
                    step = down / len(arm.parts)
                    _part(axes, part, (here, y), (here, y - step))
                    y -= step
                for level in (top, top - down):
                    axes.plot([here], [level], "o", color=INK, markersize=3.5)
                    _line(axes, (x, level), (x + room, level))
                x += room
            _driver(axes, x, top, down, one)
            top -= down + 1.15
        axes.set_xlim(-0.6, wide)
        axes.set_ylim(top + 0.75, 0.75)
        axes.set_aspect("equal")
        return figure


def _room(arm: NetworkArm) -> float:
    return _WIDE * (len(arm.parts) if arm.place == "series" else 1.15)


def _depth(arm: NetworkArm) -> float:
    return _HIGH * (1 if arm.place == "series" else max(1, len(arm.parts)))


def _line(axes: Axes, start: tuple[float, float], end: tuple[float, float]) -> None:
    axes.plot(*zip(start, end, strict=True), color=INK, linewidth=1.2)


def _driver(axes: Axes, x: float, top: float, down: float, one: Branch) -> None:
    from matplotlib.patches import Polygon, Rectangle

    middle = top - down / 2
    for y, near in ((top, middle + 0.22), (top - down, middle - 0.22)):
        _line(axes, (x, y), (x + 0.35, y))
        _line(axes, (x + 0.35, y), (x + 0.35, near))
    axes.add_patch(Rectangle((x + 0.25, middle - 0.22), 0.2, 0.44, fill=False, color=INK))
    cone = [(0.45, 0.22), (0.75, 0.5), (0.75, -0.5), (0.45, -0.22)]
    axes.add_patch(Polygon([(x + a, middle + b) for a, b in cone], fill=False, color=INK))
    axes.text(x + 0.2, middle + 0.3, "+", ha="right", va="center")
    axes.text(x + 0.85, middle, f"{one.name}\n{short_name(one.load.name, 14)}", va="center",
              fontsize=8.5)  # fmt: skip


def _part(
    axes: Axes, named: NetworkPart, start: tuple[float, float], end: tuple[float, float]
) -> None:
    """Draw a part between two points, with its name and value beside it."""
    a, b = np.array(start), np.array(end)
    length = float(np.hypot(*(b - a)))
    along = (b - a) / length
    across = np.array([-along[1], along[0]])
    half = 0.3 if named.part.kind != "capacitor" else 0.06
    middle = (a + b) / 2
    _line(axes, start, tuple(middle - half * along))
    _line(axes, tuple(middle + half * along), end)

    def draw(points: Sequence[tuple[float, float]]) -> None:
        placed = np.array([middle + u * along + v * across for u, v in points])
        axes.plot(placed[:, 0], placed[:, 1], color=INK, linewidth=1.4)

    if named.part.kind == "resistor":
        draw([(-0.3, -0.11), (0.3, -0.11), (0.3, 0.11), (-0.3, 0.11), (-0.3, -0.11)])
    elif named.part.kind == "capacitor":
        for side in (-0.06, 0.06):
            draw([(side, -0.22), (side, 0.22)])
    else:
        turns = np.linspace(0, np.pi, 12)
        for k in range(4):
            centre = -0.225 + 0.15 * k
            draw([(centre - 0.075 * np.cos(t), 0.1 * np.sin(t)) for t in turns])
    value = with_prefix(named.part.value, named.part.unit, 3)
    if along[1] == 0:
        axes.text(middle[0], middle[1] + 0.3, f"{named.name}\n{value}", ha="center", va="bottom",
                  fontsize=8.5, linespacing=1.1)  # fmt: skip
    else:
        axes.text(middle[0] + 0.3, middle[1], f"{named.name}\n{value}", va="center", fontsize=8.5,
                  linespacing=1.1)  # fmt: skip
