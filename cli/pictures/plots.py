"""Pictures of fits and comparisons: colour-blind safe, a unit on every axis, readable in print.

Every ``draw_`` function takes axes and fills them; every ``_figure`` function makes a whole
figure. No global state of matplotlib is touched, and pyplot is never loaded.
"""

from __future__ import annotations

import io
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from cli.pictures import marks, settings
from fit.results.numbers import kilo
from fit.results.quantities import condition_words
from meas.files.outside_text import harmless

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from fit.results.result import DriverFit, FittedCurve
    from meas.curve import FloatArray

# M. Okabe, K. Ito, Color Universal Design, 2008: distinguishable with any colour vision. Line
# styles differ too, so that a grey print still tells the curves apart.
COLOURS = ("#0072B2", "#D55E00", "#009E73", "#CC79A7", "#E69F00", "#56B4E9")
DASHES = ("-", (0, (6, 2)), (0, (2, 1.5)), (0, (6, 2, 1.5, 2)), (0, (1, 1)), (0, (10, 2)))
INK = "#1B1F24"
FAINT = "#D4D9DF"
LEVEL = "level at 1 m,\ndB re 20 µPa"
"""At the axis of every sound pressure level."""

_STYLE: dict[Any, Any] = {
    "svg.fonttype": "none",
    "text.parse_math": False,  # a dollar in somebody's name begins no formula
    "font.family": "DejaVu Sans",
    "font.size": 9.5,
    "axes.titlesize": 10.5,
    "axes.titleweight": "bold",
    "axes.titlelocation": "left",
    "axes.edgecolor": INK,
    "axes.labelcolor": INK,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "text.color": INK,
    "xtick.color": INK,
    "ytick.color": INK,
    "grid.color": FAINT,
    "grid.linewidth": 0.7,
    "axes.grid": True,
    "axes.axisbelow": True,
    "legend.frameon": False,
    "legend.fontsize": 9,
}


@contextmanager
def style() -> Iterator[None]:
    """Apply the style under which all pictures are drawn and saved."""
    with settings.matplotlib().rc_context(settings.fixed(_STYLE)):
        yield


def look(index: int) -> tuple[str, Any]:
    """Choose colour and dashes of a curve by its number from 0; the first 36 differ."""
    return COLOURS[index % len(COLOURS)], DASHES[(index + index // len(COLOURS)) % len(DASHES)]


def drawable(text: str) -> str:
    """Text out of a file as text of a picture: SVG and PDF have no place for control characters."""
    return harmless(text).encode("utf-8", "replace").decode()


def short_name(name: str, letters: int = 40) -> str:
    """A name out of a file in a legend, a title, at an axis: one line that leaves room for the
    curves. A legend leaves out what begins with an underscore.
    """
    text = " ".join(drawable(name).split())
    text = text if len(text) <= letters else f"{text[: letters - 1]}…"
    return f" {text}" if text.startswith("_") else text


@contextmanager
def drawing(height: float, width: float = 7.4) -> Iterator[Figure]:
    """Draw on an empty figure [inch] in the style of all; labels find their places at the end."""
    with style():
        from matplotlib.figure import Figure

        figure = Figure(figsize=(width, height), layout="constrained")
        yield figure
        marks.settle(figure)


def labels(curves: Sequence[FittedCurve]) -> list[str]:
    """Name curves, told apart by a number where they are alike."""
    named = [condition_words(one.condition, one.condition_value) for one in curves]
    return [
        f"{label} ({named[:index].count(label) + 1})" if named.count(label) > 1 else label
        for index, label in enumerate(named)
    ]


def frequency_axis(axes: Axes, low_hz: float, high_hz: float, *, label: bool = True) -> None:
    """Make a frequency axis logarithmic, with plain numbers at 1, 2, 5."""
    from matplotlib.ticker import FixedLocator, FuncFormatter, NullFormatter

    axes.set_xscale("log")
    axes.set_xlim(low_hz, high_hz)
    steps = (1, 2, 3, 4, 5, 7) if high_hz / low_hz < 8 else (1, 2, 5)
    fine = [step for step in range(1, 10) if step not in steps]
    for locate, rungs in (
        (axes.xaxis.set_major_locator, steps),
        (axes.xaxis.set_minor_locator, fine),
    ):
        locate(FixedLocator([rung * 10.0**power for power in range(6) for rung in rungs]))
    axes.xaxis.set_major_formatter(FuncFormatter(lambda hz, _: kilo(hz)))
    axes.xaxis.set_minor_formatter(NullFormatter())
    if label:
        axes.set_xlabel("frequency, Hz")
    else:
        axes.tick_params(labelbottom=False)


def span(curves: Sequence[FittedCurve]) -> tuple[float, float]:
    """Find the lowest and highest frequency of several curves [Hz]."""
    return (
        min(float(curve.frequency_hz[0]) for curve in curves),
        max(float(curve.frequency_hz[-1]) for curve in curves),
    )


def draw_magnitude(axes: Axes, curves: Sequence[FittedCurve]) -> None:
    """Draw |Z| of every curve, measured (broad) and model (thin)."""
    for index, (curve, label) in enumerate(zip(curves, labels(curves), strict=True)):
        colour, dash = look(index)
        measured = np.abs(curve.measured_ohm)
        axes.plot(curve.frequency_hz, measured, color=colour, linewidth=3.4, alpha=0.4,
                  solid_capstyle="round")  # fmt: skip
        axes.plot(curve.frequency_hz, np.abs(curve.model_ohm), color=colour, linewidth=1.1,
                  linestyle=dash, label=label)  # fmt: skip
    low = min(float(np.abs(curve.measured_ohm).min()) for curve in curves)
    high = max(float(np.abs(curve.measured_ohm).max()) for curve in curves)
    magnitude_axis(axes, low / 1.15, high * 1.2)


def magnitude_axis(axes: Axes, low_ohm: float, high_ohm: float) -> None:
    """Make an axis of |Z| logarithmic, with plain numbers."""
    from matplotlib.ticker import (
        FixedLocator,
        FuncFormatter,
        MaxNLocator,
        NullFormatter,
        NullLocator,
    )

    axes.set_yscale("log")
    axes.set_ylim(low_ohm, high_ohm)
    if high_ohm / low_ohm > 11:
        steps = [step * 10.0**power for power in range(-1, 5) for step in (1, 2, 3, 5, 7)]
        axes.yaxis.set_major_locator(FixedLocator(steps))
    else:
        axes.yaxis.set_major_locator(MaxNLocator(6))
    axes.yaxis.set_minor_locator(NullLocator())
    axes.yaxis.set_major_formatter(FuncFormatter(lambda ohm, _: f"{ohm:g}"))
    axes.yaxis.set_minor_formatter(NullFormatter())
    axes.set_ylabel("|Z|, Ω")


def draw_phase(axes: Axes, curves: Sequence[FittedCurve]) -> None:
    """Draw the phase, measured and model; magnitude-only curves show the model alone."""
    from matplotlib.ticker import MultipleLocator

    for index, curve in enumerate(curves):
        colour, dash = look(index)
        if np.iscomplexobj(curve.measured_ohm):
            phase = np.degrees(np.angle(curve.measured_ohm))
            axes.plot(curve.frequency_hz, phase, color=colour, linewidth=3.4, alpha=0.4)
        model = np.degrees(np.angle(curve.model_ohm))
        axes.plot(curve.frequency_hz, model, color=colour, linewidth=1.1, linestyle=dash)
    low, high = axes.get_ylim()
    axes.set_ylim(min(low, -50), max(high, 50))
    axes.yaxis.set_major_locator(MultipleLocator(45))
    axes.set_ylabel("phase, °")


def draw_residual(axes: Axes, curves: Sequence[FittedCurve]) -> None:
    """Draw what the model does not follow, in per cent of |Z|."""
    reach = 0.0
    for index, curve in enumerate(curves):
        measured = np.abs(curve.measured_ohm)
        off = (measured - np.abs(curve.model_ohm)) / measured * 100
        colour, dash = look(index)
        axes.plot(curve.frequency_hz, off, color=colour, linewidth=1.0, linestyle=dash)
        reach = max(reach, float(np.max(np.abs(off))))
    axes.axhline(0, color=INK, linewidth=0.8)
    axes.set_ylim(-1.15 * max(reach, 0.1), 1.15 * max(reach, 0.1))
    axes.set_ylabel("off model, %")


def curve_figure(fit: DriverFit) -> Figure:
    """Draw magnitude, phase and residual of all curves of a fit."""
    with drawing(6.4) as figure:
        top, middle, bottom = figure.subplots(
            3, 1, sharex=True, gridspec_kw={"height_ratios": (5, 2.4, 2)}
        )
        draw_magnitude(top, fit.curves)
        draw_phase(middle, fit.curves)
        draw_residual(bottom, fit.curves)
        low, high = span(fit.curves)
        for axes in (top, middle, bottom):
            frequency_axis(axes, low, high, label=axes is bottom)
        marks.draw(top, marks.of_fit(fit), INK)
        top.set_title("Impedance: measured (broad) and model (thin)")
        top.legend(loc="best")
        return figure


def _motional_measured(curve: FittedCurve) -> np.ndarray | None:
    """Take the fitted blocked coil off the measured curve [ohm]; None without a phase."""
    if not np.iscomplexobj(curve.measured_ohm):
        return None
    return np.asarray(curve.measured_ohm - (curve.model_ohm - curve.motional_ohm))


def draw_motional(axes: Axes, curves: Sequence[FittedCurve]) -> None:
    """Draw the magnitude of the motional part around each resonance."""
    peaks = [float(c.frequency_hz[int(np.argmax(np.abs(c.motional_ohm)))]) for c in curves]
    low, high = min(peaks) / 1.8, max(peaks) * 1.8
    for index, curve in enumerate(curves):
        colour, dash = look(index)
        seen = (curve.frequency_hz > low / 1.1) & (curve.frequency_hz < high * 1.1)
        measured = _motional_measured(curve)
        if measured is not None:
            _dots(axes, curve.frequency_hz[seen], np.abs(measured[seen]), colour)
        axes.plot(curve.frequency_hz[seen], np.abs(curve.motional_ohm[seen]), color=colour,
                  linewidth=1.2, linestyle=dash)  # fmt: skip
    axes.set_ylim(bottom=0)
    frequency_axis(axes, low, high)
    axes.set_ylabel("|Z motional|, Ω")


def _dots(axes: Axes, x: FloatArray, y: FloatArray, colour: str) -> None:
    """Draw measured points; every dot is an element of the picture, so there are not too many."""
    axes.plot(x, y, color=colour, linestyle="none", marker="o", markersize=3.2, alpha=0.55,
              markeredgewidth=0, markevery=max(1, x.size // 150))  # fmt: skip


def draw_locus(axes: Axes, curves: Sequence[FittedCurve]) -> None:
    """Draw the motional part in the complex plane: one resonance of constant loss is a circle."""
    for index, (curve, label) in enumerate(zip(curves, labels(curves), strict=True)):
        colour, dash = look(index)
        peak_hz = curve.frequency_hz[int(np.argmax(np.abs(curve.motional_ohm)))]
        near = (curve.frequency_hz > peak_hz / 4) & (curve.frequency_hz < peak_hz * 4)
        measured = _motional_measured(curve)
        if measured is not None:
            _dots(axes, measured.real[near], measured.imag[near], colour)
        axes.plot(curve.motional_ohm.real[near], curve.motional_ohm.imag[near], color=colour,
                  linewidth=1.2, linestyle=dash, label=label)  # fmt: skip
    axes.set_aspect("equal", adjustable="datalim")
    axes.set_xlabel("resistance, Ω")
    axes.set_ylabel("reactance, Ω")


def motional_figure(fit: DriverFit) -> Figure:
    """Draw the motional part near resonance: over frequency, and as a circle."""
    with drawing(3.4) as figure:
        left, right = figure.subplots(1, 2, gridspec_kw={"width_ratios": (1.25, 1)})
        draw_motional(left, fit.curves)
        draw_locus(right, fit.curves)
        left.set_title("Motion seen by the coil (dots: measured)")
        right.set_title("The same as a circle")
        right.legend(loc="best", fontsize=8)
        return figure


def svg_text(figure: Figure, salt: str) -> str:
    """Write the figure as an SVG document; ``salt`` makes its identifiers the same every time."""
    buffer = io.StringIO()
    with settings.matplotlib().rc_context(settings.fixed({**_STYLE, "svg.hashsalt": salt})):
        figure.savefig(buffer, format="svg", transparent=True, metadata={"Date": None})
    return buffer.getvalue()


def save_picture(figure: Figure, path: Path) -> None:
    """Save the figure as PNG or SVG, told by the extension; nothing is overwritten.

    Raises:
        UsageError: If the extension is another, or the file exists or cannot be written.
    """
    from meas.files.writing import write_bytes, write_text

    if path.suffix.lower() == ".svg":
        write_text(path, svg_text(figure, path.stem))
        return
    check_picture(path)
    buffer = io.BytesIO()
    with style():
        figure.savefig(buffer, format="png", dpi=150, facecolor="white")
    write_bytes(path, buffer.getvalue())


def check_picture(path: Path) -> None:
    """Make sure, before anything is computed, that a picture can go there.

    Raises:
        UsageError: If the extension is neither .png nor .svg, or the file exists.
    """
    from meas.errors import UsageError
    from meas.files.writing import refuse_existing

    if path.suffix.lower() not in (".png", ".svg"):
        raise UsageError(
            f"'{path.suffix}' is no kind of picture here",
            where=str(path),
            remedy="Name the file .png or .svg.",
        )
    refuse_existing(path)
