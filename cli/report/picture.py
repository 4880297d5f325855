"""A figure's SVG made at home in a page: colours of the page, identifiers of its own."""

from __future__ import annotations

import html
import re

from markupsafe import Markup

from cli.pictures import plots

VARIABLES = {plots.INK: "--ink", plots.FAINT: "--faint"} | {
    colour: f"--curve-{index}" for index, colour in enumerate(plots.COLOURS, start=1)
}
"""Colours of figures and the custom properties of the page that take their place."""


def inline(svg: str, name: str, description: str) -> Markup:
    """The figure as an SVG element.

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
        f'<svg class="plot" role="img" aria-label="{html.escape(description, quote=True)}" '
        f'xmlns="http://www.w3.org/2000/svg" xmlns:xlink="http://www.w3.org/1999/xlink" '
        f"{box[0]}>"
    )
    # Ours from end to end; text from outside went through matplotlib, which escapes it.
    return Markup(opening + text[head.end() :])
