"""A curve as escaped HTML, for notebooks."""

from __future__ import annotations

from collections.abc import Iterable
from html import escape
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from meas.curve import Curve


def curve_html(curve: Curve) -> str:
    """Describe the span of a curve, its extremes and its uncertainty."""
    return table(curve_rows(curve))


def curve_rows(curve: Curve) -> list[tuple[str, str]]:
    """Names and texts of what a curve says of itself, not escaped."""
    hz, ohm = curve.frequency_hz, curve.magnitude_ohm
    least, most = int(np.argmin(ohm)), int(np.argmax(ohm))
    phase = "" if hasattr(curve, "impedance_ohm") else ", magnitude only"
    noise = "not stated"
    if curve.standard_uncertainty_ohm is not None:
        typical = float(np.median(curve.standard_uncertainty_ohm / ohm))
        noise = f"{100 * typical:.2g} % of |Z| (median standard uncertainty)"
    return [
        ("impedance", f"{hz.size} points, {_figure(hz[0])} Hz to {_figure(hz[-1])} Hz{phase}"),
        ("least |Z|", f"{_figure(ohm[least])} Ω at {_figure(hz[least])} Hz"),
        ("greatest |Z|", f"{_figure(ohm[most])} Ω at {_figure(hz[most])} Hz"),
        ("noise", noise),
        ("common errors", "; ".join(error.text for error in curve.systematics) or "none stated"),
    ]


def _figure(value: float) -> str:
    """Write a number with four digits and no exponent."""
    return f"{float(f'{value:.4g}'):.10g}"


def table(rows: Iterable[tuple[str, str]]) -> str:
    """An HTML table of names and texts, which are escaped."""
    cells = (f"<tr><th>{escape(name)}</th><td>{escape(text)}</td></tr>" for name, text in rows)
    return f"<table><tbody>{''.join(cells)}</tbody></table>"
