"""The picture of a crossover: what reaches each driver, and what the amplifier sees."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from cli.pictures import marks
from cli.pictures.plots import (
    COLOURS,
    DASHES,
    INK,
    frequency_axis,
    magnitude_axis,
    new_figure,
    style,
)
from fit.results.numbers import significant

if TYPE_CHECKING:
    from fit.crossover.evaluate import NetworkResult
    from meas.curve import ComplexArray, FloatArray

_DEEPEST_DB = -40.0


def figure(
    result: NetworkResult,
    *,
    amplifier_minimum_ohm: float | None = None,
    measured: tuple[str, FloatArray, ComplexArray] | None = None,
) -> Any:
    """Levels above, load below.

    Returns:
        A figure of matplotlib.

    Args:
        result: The crossover.
        amplifier_minimum_ohm: Drawn as a line [ohm].
        measured: Branch, frequencies and transfer function of a finished section.
    """
    solution = result.solution
    f = solution.frequency_hz
    with style():
        made = new_figure(7.4, 6.2)
        top, bottom = made.subplots(2, 1, sharex=True, gridspec_kw={"height_ratios": (1.25, 1)})
        names = []
        for index, one in enumerate(solution.branches):
            look = {"color": COLOURS[index], "linestyle": DASHES[index]}
            names.append(one.branch.name)
            top.plot(f, one.level_db, linewidth=1.8, label=one.branch.name, **look)
            bottom.plot(f, np.abs(one.ladder.input_ohm), linewidth=1.1, **look)
            if measured is not None and measured[0] == one.branch.name:
                level = 20 * np.log10(np.abs(measured[2]))
                top.plot(measured[1], level, color=COLOURS[index], linewidth=4.5, alpha=0.35,
                         label=f"{one.branch.name}, measured")  # fmt: skip
        for crossed in result.crossings:
            top.plot(crossed.frequency.value, crossed.level_db, "o", color=INK, markersize=4.5)
            at = crossed.frequency.value, crossed.level_db
            marks.label(top, f"{significant(at[0])} Hz", at, ink=INK)
        bottom.plot(f, np.abs(solution.load_ohm), color=INK, linewidth=2.0, label="together")
        bottom.plot(result.least_hz, result.least_load.value, "o", color=INK, markersize=4.5)
        at = result.least_hz, result.least_load.value
        marks.label(bottom, f"least {at[1]:.3g} Ω at {significant(at[0])} Hz", at, ink=INK)
        if amplifier_minimum_ohm is not None:
            bottom.axhline(amplifier_minimum_ohm, color=COLOURS[3], linewidth=1.2,
                           linestyle=DASHES[2],
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
        marks.settle(made)
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
