"""Distortion of the driver against frequency, as far as an excitation can tell it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from meas.curve import FloatArray


@dataclass(frozen=True, eq=False)
class Distortion:
    """Distortion that the driver itself adds to its voltage behind the resistor.

    What the amplifier distorts stands in the source input too and is taken out. Like every
    figure from a resistor in series it belongs to this bench: with more resistance the driver
    gets more current and less voltage drive.

    Attributes:
        frequency_hz: Frequencies of the fundamental [Hz], shape (n,).
        parts: Name (``harmonic_2`` ..., ``even``, ``odd``) to amplitude over that of the
            fundamental at the driver input, shape (n,); NaN where it cannot be told.
        noise: What noise alone would show, same measure, shape (n,); parts below it are noise.
    """

    frequency_hz: FloatArray
    parts: Mapping[str, FloatArray]
    noise: FloatArray


def as_text(distortion: Distortion, comments: tuple[str, ...] = ()) -> str:
    """The table as CSV, amplitudes in percent of the fundamental; empty where unknown."""
    names = [f"{name}_percent" for name in (*distortion.parts, "noise")]
    rows = [*(f"# {line}" for line in comments), ",".join(["frequency_hz", *names])]
    columns = [*distortion.parts.values(), distortion.noise]
    for index, frequency in enumerate(distortion.frequency_hz):
        cells = [f"{frequency:.6g}"]
        for column in columns:
            value = 100.0 * column[index]
            cells.append(f"{value:.4g}" if np.isfinite(value) else "")
        rows.append(",".join(cells))
    return "\n".join(rows) + "\n"


def largest(distortion: Distortion) -> tuple[str, float, float] | None:
    """Name, frequency [Hz] and amplitude of the largest part that stands above the noise."""
    best: tuple[str, float, float] | None = None
    for name, values in distortion.parts.items():
        clear = np.where(values > 5.0 * distortion.noise, values, 0.0)
        clear = np.nan_to_num(clear)
        if clear.size and clear.max() > (0.0 if best is None else best[2]):
            at = int(np.argmax(clear))
            best = (name, float(distortion.frequency_hz[at]), float(clear[at]))
    return best
