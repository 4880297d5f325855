"""Picture of a driver's parameters against the level that they were measured at."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from cli.pictures.plots import COLOURS, INK, drawing
from fit.results.quantities import shown

if TYPE_CHECKING:
    from matplotlib.figure import Figure

    from fit.diagnosis.against_level import AgainstLevel


def levels_figure(followed: Sequence[AgainstLevel], scale: str) -> Figure:
    """Draw each parameter's change from its small-signal value, in per cent, over level.

    Args:
        followed: What to draw, a panel each.
        scale: Unit of the levels, in words.
    """
    rows = -(-len(followed) // 2)
    with drawing(0.4 + 1.5 * rows) as figure:
        places = figure.subplots(rows, 2, sharex=True, squeeze=False).ravel()
        for axes, one in zip(places, followed, strict=False):
            base = one.small_signal.value
            change = [100 * (value.value / base - 1) for value in one.values]
            reach = [
                [100 * abs(end - value.value) / base for end in value.interval_95]
                for value in one.values
            ]
            low, high = zip(*reach, strict=True)
            axes.errorbar(one.levels, change, (low, high), color=COLOURS[0], marker="o",
                          markersize=4, linewidth=1.2, capsize=2)  # fmt: skip
            axes.axhline(0, color=INK, linewidth=0.8)
            axes.set_ylabel(f"{shown(one.name, one.small_signal.unit).symbol}, %")
            axes.set_xscale("log")
            axes.set_xticks(one.levels, [f"{level:g}" for level in one.levels])
            axes.minorticks_off()
        for axes in places[len(followed) :]:
            axes.set_axis_off()
        figure.supxlabel(f"level ({scale})", fontsize=9.5, color=INK)
        return figure
