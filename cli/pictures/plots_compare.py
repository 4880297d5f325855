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
    frequency_axis,
    look,
    new_figure,
    short_name,
    span,
    style,
)
from fit.results.numbers import with_unit
from fit.results.quantities import QUANTITIES, shown

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from fit.compare.curves import CurveDifference
    from fit.compare.trend import Trend
    from fit.results.result import DriverFit


def overlay_figure(
    fits: Sequence[DriverFit],
    names: Sequence[str],
    differences: Sequence[CurveDifference],
    *,
    width: float = 7.4,
) -> Figure:
    """Draw free-air magnitudes of several fits over each other, differences from the first below.

    Args:
        fits: The first is what the others are compared with.
        names: Names of the fits.
        differences: Difference of each later fit from the first.
        width: Width of the figure [inch].
    """
    with style():
        figure = new_figure(width, 5.4)
        top, bottom = figure.subplots(2, 1, sharex=True, gridspec_kw={"height_ratios": (3, 1.8)})
        draw_overlay((top, bottom), fits, names, differences)
        marks.settle(figure)
        return figure


def draw_overlay(
    places: tuple[Axes, Axes],
    fits: Sequence[DriverFit],
    names: Sequence[str],
    differences: Sequence[CurveDifference],
) -> None:
    """Draw curves above, differences below; arguments as for `overlay_figure`."""
    top, bottom = places
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
        draw_difference(bottom, one, index)
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


def resonance(fit: DriverFit) -> tuple[marks.Mark, ...]:
    """Mark the peak of one curve among others with its frequency; nothing where it is not known."""
    named = {mark.name: mark for mark in marks.of_fit(fit)}
    if "peak" not in named:
        return ()
    return (replace(named["peak"], text=f"{named['fs'].text}, {named['peak'].text}"),)


def draw_difference(axes: Axes, one: CurveDifference, index: int) -> None:
    """Draw a difference over its 95 % band around zero."""
    colour, dash = look(index)
    axes.fill_between(one.frequency_hz, -one.reach_95_ohm, one.reach_95_ohm, color=colour,
                      alpha=0.22, linewidth=0)  # fmt: skip
    axes.plot(one.frequency_hz, one.difference_ohm, color=colour, linestyle=dash, linewidth=1.5)


def trend_figure(run: Trend, *, width: float = 7.4) -> Figure:
    """Draw a quantity over hours of use (or over the states), with its end where that is known."""
    with style():
        figure = new_figure(width, 2.9)
        draw_trend(figure.subplots(), run)
        return figure


def draw_trend(axes: Axes, run: Trend) -> None:
    """Draw states with their 95 % intervals, and the end to which they lead."""
    from matplotlib.ticker import MaxNLocator

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
        axes.axhline(run.limit / how.scale, color=COLOURS[2], linestyle=DASHES[1], linewidth=1.4,
                     label="where it tends to (95 %)")  # fmt: skip
        axes.legend(loc="best")
    if len(known) == len(hours):
        axes.set_xlabel("use, h")
    else:
        room = max(4, 72 // len(run.points))  # letters that stand side by side
        axes.set_xticks(x, [short_name(p.name, room) for p in run.points])
        axes.xaxis.grid(False)
    axes.yaxis.set_major_locator(MaxNLocator(5))
    axes.set_ylabel(with_unit(f"{how.symbol},", how.unit))
    axes.set_title(f"{how.words[:1].upper()}{how.words[1:]} from state to state (95 %)")
    axes.grid(axis="y", color=FAINT)
