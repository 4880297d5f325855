"""A picture of one unit against the curves of its series."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from cli.pictures import marks
from cli.pictures.plots import (
    COLOURS,
    DASHES,
    INK,
    frequency_axis,
    magnitude_axis,
    new_figure,
    short_name,
    style,
)
from fit.series.mask import CENTRES_HZ, EXPLAINED

if TYPE_CHECKING:
    from collections.abc import Sequence

    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from fit.series.mask import Departure, Layer, Mask, Profile
    from meas.curve import FloatArray


def unit_figure(
    mask: Mask,
    unit: Profile,
    measured: tuple[FloatArray, FloatArray],
    departures: Sequence[Departure],
    title: tuple[str, str],
    fs: float | None = None,
    *,
    width: float = 7.4,
) -> Figure:
    """Magnitude of a unit in the band of good ones, and what its fit leaves over in theirs.

    Args:
        mask: Of good units.
        unit: In bands.
        measured: Its frequencies [Hz] and magnitudes [ohm], shape (n,) each.
        departures: From `fit.series.mask.judge`; bands outside are marked.
        title: Name of the unit and its verdict.
        fs: Its resonance, to be marked [Hz].
    """
    rest = [name for name in EXPLAINED if name in mask.layers and name in unit.layers]
    outside = {one.layer: one.outside_hz for one in departures}
    with style():
        figure = new_figure(width, 3.4 + 1.7 * len(rest))
        heights = [3.0, *[1.7] * len(rest)]
        places = figure.subplots(
            len(heights), 1, sharex=True, squeeze=False, gridspec_kw={"height_ratios": heights}
        ).ravel()
        _magnitude(places[0], mask, measured)
        for axes, name in zip(places[1:], rest, strict=True):
            layer = mask.layers[name]
            scale = 100.0 if name == "shape" else math.degrees(1.0)
            off = (unit.layers[name][_places(layer)] - layer.centre) * scale
            half = mask.factor * layer.spread * scale
            axes.fill_between(layer.frequency_hz, -half, half, color=COLOURS[2], alpha=0.25,
                              linewidth=0)  # fmt: skip
            axes.axhline(0, color=INK, linewidth=0.7)
            axes.plot(layer.frequency_hz, off, color=COLOURS[0], linewidth=1.3)
            beyond = np.isin(layer.frequency_hz, outside.get(name, ()))
            axes.plot(layer.frequency_hz[beyond], off[beyond], "D", color=COLOURS[1], markersize=4)
            axes.set_ylabel("off, %" if name == "shape" else "off, °")
        places[0].set_title(f"{short_name(title[0], 60)}: {title[1]}")
        if rest:
            places[1].set_title("Beyond what the fit explains, less what all units show",
                                fontweight="normal", fontsize=9.5)  # fmt: skip
        low, high = float(measured[0][0]), float(measured[0][-1])
        for axes in places:
            frequency_axis(axes, low, high, label=axes is places[-1])
        marks.draw(places[0], marks.of_curve(*measured, fs=fs), INK)
        places[0].legend(loc="best")
        marks.settle(figure)
        return figure


def _magnitude(axes: Axes, mask: Mask, measured: tuple[FloatArray, FloatArray]) -> None:
    f, ohm = measured
    layer = mask.layers.get("magnitude")
    low, high = float(ohm.min()), float(ohm.max())
    if layer is not None:
        half = mask.factor * layer.spread
        ends = np.exp(layer.centre - half), np.exp(layer.centre + half)
        axes.fill_between(layer.frequency_hz, *ends, color=COLOURS[2], alpha=0.25, linewidth=0,
                          label="good units")  # fmt: skip
        axes.plot(layer.frequency_hz, np.exp(layer.centre), color=COLOURS[2], linewidth=1.2,
                  linestyle=DASHES[1], label="their centre")  # fmt: skip
        low, high = min(low, float(ends[0].min())), max(high, float(ends[1].max()))
    axes.plot(f, ohm, color=COLOURS[0], linewidth=1.6, label="this unit")
    magnitude_axis(axes, low / 1.1, high * 1.1)


def _places(layer: Layer) -> NDArray[np.intp]:
    return np.searchsorted(CENTRES_HZ, layer.frequency_hz * 0.999)
