"""Pictures of a driver in its box: what to expect, and how far it may be off."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from cli.pictures import marks
from cli.pictures.plots import COLOURS, DASHES, INK, LEVEL, drawing, frequency_axis, short_name
from fit.results.numbers import significant
from fit.results.result import Z95

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from fit.box.as_built import SystemFit
    from fit.box.predict import Band, Prediction
    from meas.curve import FloatArray


def draw_band(
    axes: Axes, frequency_hz: FloatArray, band: Band, scale: float, index: int, reach: float
) -> None:
    """Draw a curve with its 95 % band."""
    value, half = band.value / scale, reach * band.standard_uncertainty / scale
    colour = COLOURS[index % len(COLOURS)]
    axes.fill_between(frequency_hz, value - half, value + half, color=colour, alpha=0.25,
                      linewidth=0)  # fmt: skip
    axes.plot(frequency_hz, value, color=colour, linewidth=1.4, linestyle=DASHES[0])


def prediction_figure(
    found: Prediction,
    title: str,
    *,
    widening: float = 1.0,
    xmax: float | None = None,
    limit_m_s: float | None = None,
    only: Sequence[str] = ("level", "excursion", "vent", "delay", "impedance"),
) -> Figure:
    """Draw level, excursion, air speed in the vent, group delay and impedance over frequency.

    Args:
        widening: Factor on 1.96 for the bands.
        xmax: Peak excursion that the driver takes [m].
        limit_m_s: Air speed above which the vent is heard [m/s].
        only: Which of the panels; what is not known is left out.
    """
    reach = Z95 * widening
    most = None if xmax is None else (xmax * 1e3, f"what it takes: {xmax * 1e3:.3g} mm")
    heard = None if limit_m_s is None else (limit_m_s, f"heard above {limit_m_s:.3g} m/s")
    known: dict[str, tuple[str, Band | None, float, tuple[float, str] | None]] = {
        "level": (LEVEL, found.level_db, 1.0, None),
        "excursion": ("excursion\n(peak), mm", found.excursion_m, 1e-3, most),
        "vent": ("air in vent\n(peak), m/s", found.vent_speed_m_s, 1.0, heard),
        "delay": ("group delay,\nms", found.group_delay_s, 1e-3, None),
        "impedance": ("|Z|, Ω", found.magnitude_ohm, 1.0, None),
    }
    panels = [
        (label, band, scale, limit)
        for label, band, scale, limit in (known[name] for name in only)
        if band is not None
    ]
    with drawing(1.7 * len(panels) + 1.4) as figure:
        ratios = [2.2, *(1.0 for _ in panels[1:])]
        rows = figure.subplots(
            len(panels), 1, sharex=True, squeeze=False, gridspec_kw={"height_ratios": ratios}
        )[:, 0]
        for index, (axes, (label, band, scale, limit)) in enumerate(zip(rows, panels, strict=True)):
            draw_band(axes, found.frequency_hz, band, scale, index, reach)
            axes.set_ylabel(label)
            if index:
                axes.set_ylim(bottom=0)
            else:
                top = float(np.max(band.value)) + 3
                axes.set_ylim(top - 36, top)
            if limit is not None:
                axes.axhline(limit[0], color=INK, linewidth=0.9, linestyle=DASHES[2],
                             label=limit[1])  # fmt: skip
                axes.legend(loc="best")
            last = index == len(panels) - 1
            frequency_axis(axes, *found.frequency_hz[[0, -1]], label=last)
        rows[0].set_title(f"{short_name(title, 70)}\n(shaded: 95 % by the measured parameters)")
        return figure


def system_figure(found: SystemFit, title: str) -> Figure:
    """Draw the finished box: |Z| measured (broad) and model (thin), and what is left."""
    with drawing(4.6) as figure:
        top, bottom = figure.subplots(2, 1, sharex=True, gridspec_kw={"height_ratios": (3, 1)})
        size, model = np.abs(found.measured_ohm), np.abs(found.model_ohm)
        top.plot(found.frequency_hz, size, color=COLOURS[0], linewidth=3.4, alpha=0.4)
        top.plot(found.frequency_hz, model, color=COLOURS[0], linewidth=1.1)
        bottom.plot(found.frequency_hz, 100 * (size / model - 1), color=COLOURS[0], linewidth=1.0)
        bottom.axhline(0, color=INK, linewidth=0.8)
        top.set_ylim(bottom=0)
        for hz in found.peaks_hz:
            at = hz, float(np.interp(hz, found.frequency_hz, size))
            top.plot(*at, "o", color=INK, markersize=4.5)
            marks.label(top, f"{significant(at[1])} Ω at {significant(hz)} Hz", at, ink=INK)
        top.set_ylabel("|Z|, Ω")
        bottom.set_ylabel("off model, %")
        low, high = found.frequency_hz[[0, -1]]
        frequency_axis(top, low, high, label=False)
        frequency_axis(bottom, low, high)
        top.set_title(f"{short_name(title, 70)}:\nmeasured (broad) and model (thin)")
        return figure
