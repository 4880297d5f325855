"""How curves and takes show themselves in a notebook: escaped HTML."""

from __future__ import annotations

from collections.abc import Iterable
from html import escape
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from meas.curve import Curve
    from meas.take import Take


def curve_html(curve: Curve) -> str:
    """What a curve spans, where its extremes lie, and how well it is known."""
    return _table(_curve_rows(curve))


def take_html(take: Take) -> str:
    """What was measured and whether it can be trusted, first of all."""
    condition = f"{take.condition.name} {take.condition.written}".strip()
    rows = [
        ("take of", f"{take.unit} ({take.kind})"),
        ("condition", condition),
        ("taken at", f"{take.taken_at} {take.label}".strip()),
        ("verdict", "refused: no number may be derived from it" if take.refused else "usable"),
    ]
    rows += [(finding.code, finding.text) for finding in take.findings]
    return _table(rows + ([] if take.curve is None else _curve_rows(take.curve)))


def _curve_rows(curve: Curve) -> list[tuple[str, str]]:
    hz, ohm = curve.frequency_hz, curve.magnitude_ohm
    least, most = int(np.argmin(ohm)), int(np.argmax(ohm))
    phase = "" if hasattr(curve, "impedance_ohm") else ", magnitude only"
    noise = "not stated"
    if curve.standard_uncertainty_ohm is not None:
        typical = float(np.median(curve.standard_uncertainty_ohm / ohm))
        noise = f"{100 * typical:.2g} % of |Z| (median standard uncertainty)"
    return [
        ("impedance", f"{hz.size} points, {_short(hz[0])} Hz to {_short(hz[-1])} Hz{phase}"),
        ("least |Z|", f"{_short(ohm[least])} Ω at {_short(hz[least])} Hz"),
        ("greatest |Z|", f"{_short(ohm[most])} Ω at {_short(hz[most])} Hz"),
        ("noise", noise),
        ("common errors", "; ".join(error.text for error in curve.systematics) or "none stated"),
    ]


def _short(value: float) -> str:
    """Four digits, and no exponent where it reads well without."""
    return f"{float(f'{value:.4g}'):.10g}"


def _table(rows: Iterable[tuple[str, str]]) -> str:
    cells = (f"<tr><th>{escape(name)}</th><td>{escape(text)}</td></tr>" for name, text in rows)
    return f"<table><tbody>{''.join(cells)}</tbody></table>"
