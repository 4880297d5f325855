"""Pictures of comparisons: curves over each other, their difference with its band, series."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from cli.pictures import marks
from cli.pictures.plots import (
    COLOURS,
    DASHES,
    FAINT,
    INK,
    drawing,
    frequency_axis,
    look,
    short_name,
    span,
)
from fit.results.numbers import with_unit
from fit.results.quantities import QUANTITIES, capitalised, shown

if TYPE_CHECKING:
    from matplotlib.figure import Figure

    from fit.compare.curves import CurveDifference
    from fit.compare.trend import Trend
    from fit.results.result import DriverFit


def overlay_figure(
    fits: Sequence[DriverFit], names: Sequence[str], differences: Sequence[CurveDifference]
) -> Figure:
    """Draw free-air magnitudes of several fits over each other, differences from the first below.

    Args:
        fits: The first is what the others are compared with.
        differences: Difference of each later fit from the first.
    """
    with drawing(5.4) as figure:
        top, bottom = figure.subplots(2, 1, sharex=True, gridspec_kw={"height_ratios": (3, 1.8)})
        curves = [fit.free_air[0] for fit in fits]
        for index, (curve, name) in enumerate(zip(curves, names, strict=True)):
            colour, dash = look(index)
            top.plot(curve.frequency_hz, np.abs(curve.measured_ohm), color=colour, linestyle=dash,
                     linewidth=1.8, label=short_name(name))  # fmt: skip
        for index in (0, len(fits) - 1):  # all of them would be a thicket
            for one in resonance(fits[index]):
                at = one.frequency_hz, one.ohm
                top.plot(*at, "o", color=look(index)[0], markersize=4.5)
                marks.label(top, one.text, at, ink=INK)
        for index, one in enumerate(differences, start=1):
            colour, dash = look(index)
            bottom.fill_between(one.frequency_hz, -one.reach_95_ohm, one.reach_95_ohm, color=colour,
                                alpha=0.22, linewidth=0)  # fmt: skip
            bottom.plot(one.frequency_hz, one.difference_ohm, color=colour, linestyle=dash,
                        linewidth=1.5)  # fmt: skip
        bottom.axhline(0, color=INK, linewidth=0.8)
        low, high = span(curves)
        frequency_axis(top, low, high, label=False)
        frequency_axis(bottom, low, high)
        top.set_ylim(bottom=0)
        top.set_ylabel("|Z|, Ω")
        bottom.set_ylabel(f"|Z| minus\n{short_name(names[0], 14)}, Ω")
        top.set_title("Free-air impedance, measured")
        bottom.set_title("Difference; shaded: what measuring again may bring (95 %)", fontsize=9)
        top.legend(loc="best")
        return figure


def resonance(fit: DriverFit) -> tuple[marks.Mark, ...]:
    """Mark the peak of one curve among others with its frequency; nothing where it is not known."""
    named = {mark.name: mark for mark in marks.of_fit(fit)}
    if "peak" not in named:
        return ()
    return (replace(named["peak"], text=f"{named['fs'].text}, {named['peak'].text}"),)


def trend_figure(run: Trend) -> Figure:
    """Draw a quantity over hours of use (or over the states), with its end where that is known."""
    from matplotlib.ticker import MaxNLocator

    with drawing(2.9) as figure:
        axes = figure.subplots()
        quantity = QUANTITIES[run.parameter]
        how = shown(run.parameter, quantity.unit)
        hours = [p.hours for p in run.points]
        known = [h for h in hours if h is not None]
        x = known if len(known) == len(hours) else list(range(len(hours)))
        y = [p.value / how.scale for p in run.points]
        reach = [
            [(p.value - p.low) / how.scale for p in run.points],
            [(p.high - p.value) / how.scale for p in run.points],
        ]
        axes.errorbar(x, y, yerr=reach, color=COLOURS[0], marker="o", markersize=5, linewidth=1.2,
                      capsize=3)  # fmt: skip
        if run.limit is not None and run.limit_95 is not None:
            low, high = (end / how.scale for end in run.limit_95)
            axes.axhspan(low, high, color=COLOURS[2], alpha=0.18, linewidth=0)
            axes.axhline(run.limit / how.scale, color=COLOURS[2], linestyle=DASHES[1],
                         linewidth=1.4, label="where it tends to (95 %)")  # fmt: skip
            axes.legend(loc="best")
        if len(known) == len(hours):
            axes.set_xlabel("use, h")
        else:
            room = max(4, 72 // len(run.points))  # letters that stand side by side
            axes.set_xticks(x, [short_name(p.name, room) for p in run.points])
            axes.xaxis.grid(False)
        axes.yaxis.set_major_locator(MaxNLocator(5))
        axes.set_ylabel(with_unit(f"{how.symbol},", how.unit))
        axes.set_title(f"{capitalised(how.words)} from state to state (95 %)")
        axes.grid(axis="y", color=FAINT)
        return figure
