"""Pictures of a crossover: voltages and load, the estimated sum, the travel of the cones."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from cli.pictures import marks
from cli.pictures.plots import (
    COLOURS,
    DASHES,
    INK,
    LEVEL,
    drawing,
    frequency_axis,
    look,
    magnitude_axis,
)
from fit.results.numbers import significant
from fit.results.result import Z95

if TYPE_CHECKING:
    from fit.crossover.acoustic import AcousticSum
    from fit.crossover.evaluate import Crossing, NetworkResult
    from meas.curve import ComplexArray, FloatArray

_DEEPEST_DB = -40.0


def figure(
    result: NetworkResult,
    *,
    amplifier_minimum_ohm: float | None = None,
    measured: tuple[str, FloatArray, ComplexArray] | None = None,
) -> Any:
    """Draw levels above, load below.

    Args:
        amplifier_minimum_ohm: Drawn as a line [ohm].
        measured: Branch, frequencies and transfer function of a finished section.
    """
    solution = result.solution
    f = solution.frequency_hz
    with drawing(6.2) as made:
        top, bottom = made.subplots(2, 1, sharex=True, gridspec_kw={"height_ratios": (1.25, 1)})
        names = []
        for index, one in enumerate(solution.branches):
            colour, dash = look(index)
            names.append(one.branch.name)
            top.plot(f, one.level_db, color=colour, linestyle=dash, linewidth=1.8,
                     label=one.branch.name)  # fmt: skip
            bottom.plot(f, np.abs(one.ladder.input_ohm), color=colour, linestyle=dash,
                        linewidth=1.1)  # fmt: skip
            if measured is not None and measured[0] == one.branch.name:
                level = 20 * np.log10(np.abs(measured[2]))
                top.plot(measured[1], level, color=colour, linewidth=4.5, alpha=0.35,
                         label=f"{one.branch.name}, measured")  # fmt: skip
        for crossed in result.crossings:
            top.plot(crossed.frequency.value, crossed.level_db, "o", color=INK, markersize=4.5)
            at = crossed.frequency.value, crossed.level_db
            marks.label(top, place(crossed), at, ink=INK)
        bottom.plot(f, np.abs(solution.load_ohm), color=INK, linewidth=2.0, label="together")
        bottom.plot(result.least_hz, result.least_load.value, "o", color=INK, markersize=4.5)
        at = result.least_hz, result.least_load.value
        marks.label(bottom, f"least {at[1]:.3g} Ω at {significant(at[0])} Hz", at, ink=INK)
        if amplifier_minimum_ohm is not None:
            bottom.axhline(amplifier_minimum_ohm, color=COLOURS[3], linewidth=1.8,
                           linestyle=DASHES[4],
                           label=f"amplifier: {amplifier_minimum_ohm:g} Ω at least")  # fmt: skip
        _limits(result, top, bottom, amplifier_minimum_ohm)
        frequency_axis(top, float(f[0]), float(f[-1]), label=False)
        frequency_axis(bottom, float(f[0]), float(f[-1]))
        top.set_ylabel("voltage at the driver,\ndB re the amplifier")
        bottom.set_ylabel("|Z|, Ω")
        top.set_title("At the drivers")
        bottom.set_title("Load of the amplifier")
        for axes in (top, bottom):
            axes.legend(loc="lower right", bbox_to_anchor=(1, 1), ncols=4, borderpad=0)
        return made


def place(crossed: Crossing) -> str:
    """Frequency of a crossing, or where it may be."""
    if crossed.resolved:
        return f"{significant(crossed.frequency.value)} Hz"
    low, high = crossed.frequency.interval_95
    return f"{significant(low, 2)} to {significant(high, 2)} Hz"


def sum_figure(found: AcousticSum, volt: float, words: str) -> Any:
    """Draw the estimated level of every driver, of all together, and with the last one swapped.

    Args:
        found: For 1 V.
        volt: Output of the amplifier, rms [V].
    """
    f, gain = found.frequency_hz, 20 * np.log10(volt)
    with drawing(3.8) as made:
        axes = made.subplots()
        for index, one in enumerate(found.voices):
            colour, dash = look(index)
            axes.plot(f, one.level_db + gain, color=colour, linestyle=dash, linewidth=1.3,
                      label=one.name)  # fmt: skip
        together = found.together_db + gain
        if len(found.voices) > 1:
            half = Z95 * found.standard_uncertainty_db
            axes.fill_between(f, together - half, together + half, color=INK, alpha=0.15,
                              linewidth=0)  # fmt: skip
            axes.plot(f, together, color=INK, linewidth=2.0, label="together")
            axes.plot(f, found.turned_db + gain, color=COLOURS[3], linestyle=DASHES[4],
                      linewidth=1.5, label=f"{found.voices[-1].name} swapped")  # fmt: skip
        top = float(np.max(together)) + 4
        axes.set_ylim(top - 40, top)
        frequency_axis(axes, float(f[0]), float(f[-1]))
        axes.set_ylabel(LEVEL)
        axes.set_title(f"Estimated sum at {words} (shaded: 95 %)")
        made.legend(loc="outside lower center", ncols=4)
        return made


def travel_figure(found: AcousticSum, volt: float, words: str) -> Any:
    """Draw the peak excursion of drivers whose mass is known; arguments as for `sum_figure`."""
    f = found.frequency_hz
    with drawing(3.2) as made:
        axes = made.subplots()
        for index, one in enumerate(found.voices):
            if one.excursion_m is None:
                continue
            moved = one.excursion_m * volt * 1e3
            colour, dash = look(index)
            axes.plot(f, moved, color=colour, linestyle=dash, linewidth=1.8, label=one.name)
            at = int(np.argmax(moved))
            axes.plot(f[at], moved[at], "o", color=INK, markersize=4.5)
            text = f"{significant(float(moved[at]), 2)} mm at {significant(float(f[at]), 2)} Hz"
            marks.label(axes, text, (float(f[at]), float(moved[at])), ink=INK)
        axes.set_yscale("log")
        low, high = axes.get_ylim()
        axes.set_ylim(max(low, high / 1e4), 2 * high)
        axes.yaxis.set_major_formatter("{x:g}")
        frequency_axis(axes, float(f[0]), float(f[-1]))
        axes.set_ylabel("excursion (peak), mm")
        axes.set_title(f"How far the cones move at {words}")
        made.legend(loc="outside lower center", ncols=4)
        return made


def _limits(result: NetworkResult, top: Any, bottom: Any, minimum: float | None) -> None:
    levels = np.concatenate([one.level_db for one in result.solution.branches])
    top.set_ylim(max(float(levels.min()), _DEEPEST_DB) - 2, max(float(levels.max()), 0.0) + 3)
    size = np.abs(result.solution.load_ohm)
    low, high = float(size.min()), float(size.max())
    low = min(low, minimum or low) / 1.5
    # Branches rise without end where their driver is cut off: as far as shows the load.
    high = 1.3 * max(high, 8 * low)
    magnitude_axis(bottom, low, high)
