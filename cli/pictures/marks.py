"""The points of an impedance curve that people look for, named where nothing else is written."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from fit.results.numbers import significant

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from fit.results.result import DriverFit
    from meas.curve import FloatArray

_LABEL = "_mark"
_SIDES = ((1, 1), (-1, 1), (1, -1), (-1, -1), (0, 1), (0, -1), (1, 0), (-1, 0))
_FAR = (7.0, 16.0, 28.0, 44.0, 64.0)
_NEAR_FS = 1.6
"""The peak lies within this ratio of fs: a coil's inductance moves it by a few per cent."""


@dataclass(frozen=True)
class Mark:
    """A point with its name.

    Attributes:
        name: ``fs``, ``peak``, ``least`` or ``Re``.
    """

    name: str
    frequency_hz: float
    ohm: float
    text: str


def of_fit(fit: DriverFit) -> tuple[Mark, ...]:
    """Mark the first curve in free air; Re and fs as fitted."""
    curve = fit.free_air[0]
    known = {s: fit.parameters[s].value for s in ("fs", "Re") if s in fit.parameters}
    return of_curve(curve.frequency_hz, np.abs(curve.measured_ohm), **known)


def of_curve(
    frequency_hz: FloatArray,
    magnitude_ohm: FloatArray,
    *,
    fs: float | None = None,  # the field's symbols
    Re: float | None = None,
) -> tuple[Mark, ...]:
    """Mark the resonance peak, the least |Z| above it, and fs and Re where they are known.

    Args:
        frequency_hz: Increasing [Hz], shape (n,).
        magnitude_ohm: |Z| [ohm], shape (n,).
        fs: Resonance [Hz].
        Re: Coil resistance [ohm].
    """
    f, z = frequency_hz, magnitude_ohm
    marks = []
    if fs is not None and f[0] < fs < f[-1]:
        near = np.flatnonzero((f > fs / _NEAR_FS) & (f < fs * _NEAR_FS))
        at = int(near[np.argmax(z[near])]) if near.size else int(np.argmin(np.abs(f - fs)))
        height = float(np.interp(np.log(fs), np.log(f), z))
        marks.append(Mark("fs", fs, height, f"fs {significant(fs)} Hz"))
        marks.append(Mark("peak", float(f[at]), float(z[at]), f"peak {significant(z[at])} Ω"))
        least = at + int(np.argmin(z[at:]))
        if at < least < f.size - 1:
            text = f"least {significant(z[least])} Ω at {significant(f[least])} Hz"
            marks.append(Mark("least", float(f[least]), float(z[least]), text))
    if Re is not None:
        marks.append(Mark("Re", float(f[0]), Re, f"Re {significant(Re)} Ω"))
    return tuple(marks)


def draw(axes: Axes, marks: Sequence[Mark], ink: str) -> None:
    """Draw dots and names on a picture of |Z|; `settle` finds places for the names."""
    low, high = axes.get_ylim()
    low = min(low, *(one.ohm / 1.3 for one in marks if one.name == "Re"), low)
    for one in marks:
        if one.name == "Re":
            right = (axes.transAxes + axes.transData.inverted()).transform((0.06, 0))[0]
            axes.plot([one.frequency_hz, right], [one.ohm] * 2, color=ink, linewidth=1.6)
        elif one.name == "fs":
            axes.plot([one.frequency_hz] * 2, [low, one.ohm], color=ink, linewidth=0.8)
        else:
            axes.plot([one.frequency_hz], [one.ohm], "o", color=ink, markersize=4.5)
        foot = one.name == "fs"
        label(axes, one.text, (one.frequency_hz, low * 1.02 if foot else one.ohm), ink=ink)
    axes.set_ylim(low, high)


def label(axes: Axes, text: str, at: tuple[float, float], *, ink: str) -> None:
    """Write a text beside a point of the data, to be placed by `settle`."""
    axes.annotate(text, at, xytext=(7, 7), textcoords="offset points", color=ink, fontsize=8.5,
                  annotation_clip=False, label=_LABEL)  # fmt: skip


def settle(figure: Figure) -> None:
    """Move every `label` to where it covers no other text and, if it can be, no curve."""
    labelled = [axes for axes in figure.axes if any(t.get_label() == _LABEL for t in axes.texts)]
    if not labelled:
        return
    figure.draw_without_rendering()
    for axes in labelled:
        own = [text for text in axes.texts if text.get_label() == _LABEL]
        legend = axes.get_legend()
        fixed = [] if legend is None else [legend.get_window_extent()]
        fixed += [t.get_window_extent() for t in axes.texts if t not in own]
        for text in own:
            fixed.append(_placed(axes, text, fixed))


def _placed(axes: Axes, text: Any, taken: Sequence[Any]) -> Any:
    """Find the best place around its point for a label; its box [pixel]."""
    inside = axes.get_window_extent()
    paths = [line.get_transform().transform_path(line.get_path()) for line in axes.lines]

    def cost(far: float, side: tuple[int, int]) -> tuple[float, Any]:
        _put(text, far, side)
        box = text.get_window_extent().padded(2)
        out = box.x0 < inside.x0 or box.x1 > inside.x1 or box.y0 < inside.y0 or box.y1 > inside.y1
        covered = sum(box.overlaps(other) for other in taken)
        crossed = sum(path.intersects_bbox(box, filled=False) for path in paths)
        return 1000.0 * (covered + out) + 40.0 * crossed + far, box

    tried = [(cost(far, side), far, side) for far in _FAR for side in _SIDES]
    (_, box), far, side = min(tried, key=lambda one: one[0][0])
    _put(text, far, side)
    return box


def _put(text: Any, far: float, side: tuple[int, int]) -> None:
    across, up = side
    text.set_position((far * across, far * up))
    text.set_ha({1: "left", 0: "center", -1: "right"}[across])
    text.set_va({1: "bottom", 0: "center", -1: "top"}[up])
