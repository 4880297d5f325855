"""Pictures of an archive: how its quantities are distributed, and how they run with time."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, datetime
from itertools import takewhile
from typing import TYPE_CHECKING

import numpy as np

from cli.pictures import marks
from cli.pictures.plots import COLOURS, DASHES, INK, drawing, short_name
from fit.results.numbers import with_unit
from fit.results.quantities import shown

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from cli.archive.summary import Series, Usual
    from meas.curve import FloatArray

_DOTS = 60  # more run into each other: bars take their place
_NAMED = 8  # names of more dots cover each other; what stands apart is named always
_POINTS = 400
_BANDS = 60


def distribution_figure(series: Series, usual: Sequence[Usual]) -> Figure:
    """Draw a small picture for each quantity; what stands apart is marked by shape and colour."""
    rows = -(-len(usual) // 2)
    with drawing(0.35 + (1.5 if len(series.names) <= _NAMED else 1.15) * rows) as figure:
        places = figure.subplots(rows, 2, squeeze=False).ravel()
        for axes, one in zip(places, usual, strict=False):
            _distribution(axes, series, one)
        for axes in places[len(usual) :]:
            axes.set_axis_off()
        figure.legend(*places[0].get_legend_handles_labels(), loc="outside lower right", ncols=2)
        return figure


def _distribution(axes: Axes, series: Series, one: Usual) -> None:
    from matplotlib.ticker import MaxNLocator

    how = shown(one.symbol, one.unit)
    values = series.column(one.symbol)[0] / how.scale
    named = dict(zip(series.names, _own_names(series.names), strict=True))
    names = [name for name, value in zip(series.names, values, strict=True) if value == value]
    values = values[np.isfinite(values)]
    apart = np.array([a.value for a in one.apart]) / how.scale
    like = values[~np.isin(values, apart)]
    if values.size <= _DOTS:
        heights = _heights(like)
        axes.plot(like, heights, "o", color=COLOURS[0], markersize=4, alpha=0.8)
        if values.size <= _NAMED:
            kept = [name for name, value in zip(names, values, strict=True) if value in like]
            for name, at in zip(kept, zip(like, heights, strict=True), strict=True):
                marks.label(axes, named[name], at, ink=INK)
        axes.set_yticks([])
        axes.set_ylim(-1.4, 1.4)
        axes.spines["left"].set_visible(False)
        level = 0.0
    else:
        axes.hist(like, bins=min(40, round(2 * like.size ** (1 / 3))), color=COLOURS[0], alpha=0.8)
        axes.yaxis.set_major_locator(MaxNLocator(3, integer=True))
        axes.set_ylabel("fits")
        level = 0.08 * axes.get_ylim()[1]
    centre = one.centre / how.scale
    axes.axvline(centre, color=INK, linewidth=1, linestyle=DASHES[1],
                 label="robust mean")  # fmt: skip
    if apart.size:
        axes.plot(apart, np.full(apart.size, level), "D", color=COLOURS[1], markersize=5)
        for far in one.apart:
            at = far.value / how.scale, level
            marks.label(axes, named[far.name], at, ink=INK)
    low, high = axes.get_xlim()  # no narrower: what agrees to a thousandth is drawn together
    axes.set_xlim(min(low, 0.997 * centre), max(high, 1.003 * centre))
    axes.xaxis.set_major_locator(MaxNLocator(6))
    axes.ticklabel_format(axis="x", useOffset=False)
    axes.set_xlabel(with_unit(f"{how.symbol},", how.unit) if how.unit else how.symbol)
    axes.grid(axis="x")


def _own_names(names: Sequence[str]) -> list[str]:
    """Tell units apart: their names without what all begin and end with."""
    before = _beginning(names)
    after = _beginning([name[::-1] for name in names])
    ends = [name[len(before) : len(name) - len(after)] for name in names]
    return [short_name(end or name, 14) for end, name in zip(ends, names, strict=True)]


def _beginning(names: Sequence[str]) -> str:
    """Beginning that all names share, up to a number."""
    alike = takewhile(lambda letters: len(set(letters)) == 1, zip(*names, strict=False))
    return "".join(letters[0] for letters in alike).rstrip("0123456789")


def _heights(values: FloatArray) -> FloatArray:
    """Neighbours beside each other, always the same way."""
    heights = np.zeros(values.size)
    heights[np.argsort(values)] = np.resize([0.0, 0.7, -0.7, 0.35, -0.35], values.size)
    return heights


def drift_figure(series: Series, usual: Sequence[Usual]) -> Figure:
    """Draw quantities over the time at which they were measured, below each other."""
    with drawing(0.5 + 1.35 * len(usual)) as figure:
        places = figure.subplots(len(usual), 1, sharex=True, squeeze=False).ravel()
        for axes, one in zip(places, usual, strict=True):
            _drift(axes, series, one)
        return figure


def _drift(axes: Axes, series: Series, one: Usual) -> None:
    from matplotlib.dates import AutoDateLocator, ConciseDateFormatter
    from matplotlib.ticker import MaxNLocator

    how = shown(one.symbol, one.unit)
    values, _, seconds = series.column(one.symbol)
    known = np.isfinite(values) & np.isfinite(seconds)
    order = np.argsort(seconds[known], kind="stable")
    names = np.array(_own_names(series.names))[known][order]
    values, seconds = values[known][order] / how.scale, seconds[known][order]
    if values.size <= _POINTS:
        axes.plot(_dates(seconds), values, "o", color=COLOURS[0], markersize=3.5, alpha=0.7)
        if values.size <= _NAMED:
            for name, at in zip(names, zip(_dates(seconds), values, strict=True), strict=True):
                marks.label(axes, str(name), at, ink=INK)
    else:
        parts = np.array_split(np.arange(values.size), _BANDS)
        times = _dates(np.array([np.median(seconds[part]) for part in parts]))
        low, middle, high = np.array([np.quantile(values[p], [0.1, 0.5, 0.9]) for p in parts]).T
        axes.fill_between(times, low, high, color=COLOURS[0], alpha=0.25, linewidth=0)
        axes.plot(times, middle, color=COLOURS[0], linewidth=1.6)
    if one.drift is not None and one.drift.significant:
        days = seconds / 86400.0
        ends = days[[0, -1]]
        line = np.median(values) * np.exp(one.drift.middle * (ends - np.median(days)))
        axes.plot(_dates(seconds[[0, -1]]), line, color=COLOURS[1], linestyle=DASHES[1],
                  label="drift")  # fmt: skip
        axes.legend(loc="best")
    axes.xaxis.set_major_locator(AutoDateLocator(maxticks=8))
    axes.xaxis.set_major_formatter(ConciseDateFormatter(axes.xaxis.get_major_locator(), tz=UTC))
    axes.yaxis.set_major_locator(MaxNLocator(4))
    axes.ticklabel_format(axis="y", useOffset=False)
    axes.set_ylabel(with_unit(f"{how.symbol},", how.unit) if how.unit else how.symbol)


def _dates(seconds: FloatArray) -> list[datetime]:
    return [datetime.fromtimestamp(float(s), UTC) for s in seconds]
