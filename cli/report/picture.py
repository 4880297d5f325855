"""A figure's SVG made at home in a page: colours of the page, identifiers of its own."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

import numpy as np
from markupsafe import Markup

from cli.pictures import plots
from meas.files.outside_text import markup

if TYPE_CHECKING:
    from meas.curve import FloatArray

_WIDE, _HIGH = 260.0, 84.0

VARIABLES = {plots.INK: "--ink", plots.FAINT: "--faint"} | {
    colour: f"--curve-{index}" for index, colour in enumerate(plots.COLOURS, start=1)
}
"""Colours of figures and the custom properties of the page that take their place."""


def inline(svg: str, name: str, description: str) -> Markup:
    """Write the figure as an SVG element.

    Args:
        svg: The figure as `cli.pictures.plots.svg_text` wrote it.
        name: Prefix of all identifiers, so that several pictures can share one page.
        description: What it shows, for who cannot see it.
    """
    text = svg[svg.index("<svg") :]
    text = re.sub(r"<metadata>.*?</metadata>", "", text, flags=re.DOTALL)
    text = re.sub(r'\bid="([^"]+)"', rf'id="{name}-\1"', text)
    text = re.sub(r'(xlink:href="#|url\(#)([^")]+)', rf"\1{name}-\2", text)
    for colour, variable in VARIABLES.items():
        text = re.sub(re.escape(colour), f"var({variable}, {colour})", text, flags=re.IGNORECASE)
    text = text.replace("'DejaVu Sans'", "'DejaVu Sans', Verdana, sans-serif")
    head = re.match(r"<svg\b[^>]*>", text)
    box = re.search(r'viewBox="[^"]+"', head[0]) if head else None
    if head is None or box is None:
        raise ValueError("matplotlib wrote no svg element with a viewBox")
    opening = (
        f'<svg class="plot" role="img" aria-label="{markup(description)}" '
        f'xmlns="http://www.w3.org/2000/svg" xmlns:xlink="http://www.w3.org/1999/xlink" '
        f"{box[0]}>"
    )
    # Ours from end to end; text from outside went through matplotlib, which escapes it.
    return Markup(opening + text[head.end() :])


def small_curve(frequency_hz: FloatArray, magnitude_ohm: FloatArray) -> Markup:
    """Draw |Z| over 10 Hz to 20 kHz, both logarithmic, without axes."""
    step = max(1, frequency_hz.size // 130)
    f, z = np.log(frequency_hz[::step]), np.log(magnitude_ohm[::step])
    x = (f - np.log(10)) / np.log(2000) * _WIDE
    span = max(float(np.ptp(z)), 0.5)
    y = _HIGH - 6 - (z - z.min()) / span * (_HIGH - 12)
    seen = (x >= 0) & (x <= _WIDE)
    points = " ".join(f"{a:.1f},{b:.1f}" for a, b in zip(x[seen], y[seen], strict=True))
    peak = float(np.max(magnitude_ohm))
    low, high = frequency_hz[[0, -1]]
    words = f"Impedance from {low:.3g} Hz to {high:.3g} Hz, at most {peak:.3g} ohm"
    return Markup(
        '<svg class="spark" viewBox="0 0 {w:g} {h:g}" role="img" aria-label="{words}">'
        '<polyline points="{points}"/></svg>'
    ).format(w=_WIDE, h=_HIGH, words=words, points=points)
