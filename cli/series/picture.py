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
    drawing,
    frequency_axis,
    magnitude_axis,
    short_name,
)
from fit.results.quantities import shown
from fit.results.result import DECIBEL
from fit.series.mask import CENTRES_HZ, EXPLAINED

if TYPE_CHECKING:
    from collections.abc import Sequence

    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from fit.results.result import DriverFit
    from fit.series.mask import Departure, Layer, Mask, Profile
    from fit.series.statistics import Statistics
    from meas.curve import FloatArray


def unit_figure(
    mask: Mask,
    unit: Profile,
    measured: tuple[FloatArray, FloatArray],
    departures: Sequence[Departure],
    title: tuple[str, str],
    fs: float | None = None,
) -> Figure:
    """Magnitude of a unit in the band of good ones, and what its fit leaves over in theirs.

    Args:
        unit: The unit to be judged, in bands.
        measured: Its frequencies [Hz] and magnitudes [ohm], shape (n,) each.
        departures: From `fit.series.mask.judge`; bands outside are marked.
        fs: Its resonance, to be marked [Hz].
    """
    rest = [name for name in EXPLAINED if name in mask.layers and name in unit.layers]
    outside = {one.layer: one.outside_hz for one in departures}
    with drawing(3.4 + 1.7 * len(rest)) as figure:
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
        return figure


def _magnitude(axes: Axes, mask: Mask, measured: tuple[FloatArray, FloatArray]) -> None:
    f, ohm = measured
    ends = [float(ohm.min()), float(ohm.max())]
    if "magnitude" in mask.layers:
        ends += _band(axes, mask)
    axes.plot(f, ohm, color=COLOURS[0], linewidth=1.6, label="this unit")
    magnitude_axis(axes, min(ends) / 1.1, max(ends) * 1.1)


def _band(axes: Axes, mask: Mask) -> tuple[float, float]:
    """Draw where good units lie.

    Returns:
        Lowest and highest |Z| of the band [ohm].
    """
    layer = mask.layers["magnitude"]
    half = mask.factor * layer.spread
    ends = np.exp(layer.centre - half), np.exp(layer.centre + half)
    axes.fill_between(layer.frequency_hz, *ends, color=COLOURS[2], alpha=0.25, linewidth=0,
                      label="good units")  # fmt: skip
    axes.plot(layer.frequency_hz, np.exp(layer.centre), color=COLOURS[2], linewidth=1.2,
              linestyle=DASHES[1], label="their centre")  # fmt: skip
    return float(ends[0].min()), float(ends[1].max())


def _places(layer: Layer) -> NDArray[np.intp]:
    return np.searchsorted(CENTRES_HZ, layer.frequency_hz * 0.999)


def mask_figure(mask: Mask) -> Figure:
    """Draw the band of good units."""
    layer = mask.layers["magnitude"]
    with drawing(3.4) as figure:
        axes = figure.subplots()
        low, high = _band(axes, mask)
        magnitude_axis(axes, low / 1.1, high * 1.1)
        frequency_axis(axes, float(layer.frequency_hz[0]), float(layer.frequency_hz[-1]))
        axes.set_title("Impedance of good units")
        axes.legend(loc="best")
        return figure


def spread_figure(units: Sequence[tuple[str, DriverFit]], found: Sequence[Statistics]) -> Figure:
    """Draw how far every unit lies from the centre, a row for each quantity."""
    found = [one for one in found if any(one.parameter in fit.parameters for _, fit in units)]
    with drawing(1.2 + 0.3 * len(found)) as figure:
        axes = figure.subplots()
        for row, one in enumerate(found):
            strangers = {outlier.name for outlier in one.outliers}
            decibel = one.unit == "dB"
            for name, fit in units:
                if one.parameter not in fit.parameters:
                    continue
                value = fit.parameters[one.parameter].value
                off = math.expm1((value - one.centre) * DECIBEL) if decibel \
                    else value / one.centre - 1  # fmt: skip
                look = ("D", COLOURS[1]) if name in strangers else ("o", COLOURS[0])
                axes.plot(100 * off, row, look[0], color=look[1], markersize=4.5, alpha=0.75)
            axes.plot([-100 * one.spread, 100 * one.spread], [row, row], color=INK, linewidth=1.2)
        axes.set_yticks(range(len(found)), [shown(one.parameter, one.unit).symbol for one in found])
        axes.set_ylim(len(found) - 0.5, -0.5)
        axes.set_ylabel("quantity")
        axes.set_xlabel("off the centre of the series, %")
        axes.set_title("Units of the series")
        return figure
