"""Pictures that show themselves in a notebook: the same as on the pages, without pyplot."""

from __future__ import annotations

import io
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from cli.pictures import plots

if TYPE_CHECKING:
    from matplotlib.figure import Figure

    from fit.results.result import DriverFit

_DOTS_PER_INCH = 110


@dataclass(frozen=True, eq=False)
class Picture:
    """A figure that shows itself.

    Attributes:
        figure: Matplotlib's own, to change as one likes.
    """

    figure: Figure

    def save(self, path: str | Path) -> None:
        """Write it as PNG or SVG, told by the extension; nothing is overwritten.

        Raises:
            UsageError: If the extension is another, or the file exists or cannot be written.
        """
        plots.save_picture(self.figure, Path(path))

    def _repr_png_(self) -> bytes:
        buffer = io.BytesIO()
        with plots.style():
            self.figure.savefig(buffer, format="png", dpi=_DOTS_PER_INCH, facecolor="white")
        return buffer.getvalue()


def plot_fit(fit: DriverFit) -> Picture:
    """Draw magnitude, phase and residual of all curves of a fit."""
    return Picture(plots.curve_figure(fit))


def plot_motion(fit: DriverFit) -> Picture:
    """Draw the motional part near resonance: over frequency, and as a circle."""
    return Picture(plots.motional_figure(fit))


def plot_change(
    before: DriverFit, after: DriverFit, *, names: tuple[str, str] = ("before", "after")
) -> Picture:
    """Draw free-air curves of two fits over each other, and their difference with its band."""
    from cli.pictures.plots_compare import overlay_figure
    from fit.compare.curves import difference

    return Picture(overlay_figure((before, after), names, [difference(before, after)]))
