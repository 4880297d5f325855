"""The picture of a chosen series resistor: what limits |Z|, against frequency."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from cli.pictures.plots import drawing, frequency_axis

if TYPE_CHECKING:
    from matplotlib.figure import Figure

    from fit.design.series_resistor import Choice, Side


def choice_figure(best: Choice, side: Side) -> Figure:
    """Draw the expected |Z| with the resistor, and the 95 % limits of |Z| by cause below."""
    with drawing(5.2) as figure:
        upper, lower = figure.subplots(2, 1, sharex=True)
        frequency = best.frequency_hz
        upper.plot(frequency, np.abs(best.impedance_ohm), color="black")
        upper.axhline(best.resistor_ohm, color="0.5", linestyle=":", label="the resistor")
        upper.legend(loc="best")
        upper.set_ylabel("|Z| expected, Ω")
        upper.set_title(f"Series resistor {best.resistor_ohm:g} Ω on the {side} side")
        # Told apart by line style as well as by colour.
        for part, name, line, colour in (
            (best.total(), "all, calibrated", "-", "black"),
            (best.total(calibrated=False), "all, not calibrated", "--", "#d55e00"),
            (np.full(frequency.shape, best.tolerance), "resistor", "-.", "#0072b2"),
            (best.mismatch, "inputs, calibrated", (0, (1, 1)), "#009e73"),
            (best.noise, "noise of one point", ":", "0.4"),
        ):
            lower.plot(frequency, 100 * part, linestyle=line, color=colour, label=name)
        lower.set_yscale("log")
        lower.set_ylabel("95 % limits, % of |Z|")
        lower.yaxis.set_major_formatter("{x:g}")
        figure.legend(*lower.get_legend_handles_labels(), loc="outside lower center", ncols=3)
        frequency_axis(upper, float(frequency[0]), float(frequency[-1]), label=False)
        frequency_axis(lower, float(frequency[0]), float(frequency[-1]))
        return figure
