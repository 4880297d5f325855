"""The cross section of a planned voice coil in its gap, to scale."""

from __future__ import annotations

from typing import TYPE_CHECKING

from cli.pictures.plots import COLOURS, FAINT, INK, drawing

if TYPE_CHECKING:
    from matplotlib.figure import Figure

    from fit.design.winding import Coil, Gap

_MOST_CIRCLES = 1500


def coil_figure(coil: Coil, gap: Gap | None, gap_height: float | None) -> Figure:
    """Draw one side of the coil: along the axis, and outwards from it.

    Args:
        coil: The coil; drawn with the thickest wire that its standard allows.
        gap: Pole and plate around it; None where they are not known.
        gap_height: Height of the plate [m].
    """
    from matplotlib.collections import PatchCollection
    from matplotlib.patches import Circle, Rectangle

    mm = 1e3
    thick, inner = coil.wire.overall_max * mm, coil.former.diameter / 2 * mm
    long = max(coil.turns_per_layer) * thick
    wall = coil.former.thickness * mm
    high = gap_height * mm if gap_height is not None else long
    half = 0.62 * max(long, high)
    outer = coil.outside_diameter / 2 * mm
    with drawing(3.4) as figure:
        axes = figure.subplots()
        if gap is not None:
            pole, plate = gap.pole_diameter / 2 * mm, gap.plate_diameter / 2 * mm
            iron = 0.6 * (plate - pole)
            for low, length, name in ((pole - iron, 2 * half, "pole and plate"), (plate, high, "")):
                axes.add_patch(Rectangle((-length / 2, low), length, iron, facecolor=FAINT,
                                         edgecolor=INK, linewidth=0.8, label=name))  # fmt: skip
        axes.add_patch(Rectangle((-half, inner - wall), 2 * half, wall, facecolor=COLOURS[4],
                                 edgecolor="none", label="former"))  # fmt: skip
        turns = [
            Circle((thick * (k - (count - 1) / 2), inner + thick * (layer + 0.5)), thick / 2)
            for layer, count in enumerate(coil.turns_per_layer)
            for k in range(count)
        ]
        if len(turns) > _MOST_CIRCLES:
            turns = [Rectangle((-long / 2, inner), long, outer - inner)]  # type: ignore[list-item]
        axes.add_collection(PatchCollection(turns, facecolor=COLOURS[1], edgecolor=INK,
                                            linewidth=0.4))  # fmt: skip
        axes.add_patch(Rectangle((0, 0), 0, 0, facecolor=COLOURS[1], label="wire"))
        low = gap.pole_diameter / 2 * mm - iron if gap is not None else inner - wall
        top = gap.plate_diameter / 2 * mm + iron if gap is not None else outer
        room = max(0.06 * (top - low), 0.0)
        axes.set_xlim(-1.02 * half, 1.02 * half)
        axes.set_ylim(low - room, top + room)
        flat = 2 * half > 16 * (top - low)
        if not flat:
            axes.set_aspect("equal")
        axes.set_xlabel("along the axis, mm")
        axes.set_ylabel("from the axis, mm")
        axes.set_title(
            f"{coil.turns} turns in {coil.layers} layers{', stretched outwards' if flat else ''}"
        )
        figure.legend(loc="outside lower right", ncols=3)
        return figure
