"""The curves as data of the page's script, and as a table for who cannot see them."""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from markupsafe import Markup

from fit.results.numbers import number, significant
from meas.files.outside_text import harmless

if TYPE_CHECKING:
    from cli.pictures.marks import Mark
    from fit.results.result import FittedCurve
    from meas.curve import FloatArray

# Preferred frequencies of third octaves (ISO 266), with every power of ten.
_THIRDS = (1.0, 1.25, 1.6, 2.0, 2.5, 3.15, 4.0, 5.0, 6.3, 8.0)


@dataclass(frozen=True)
class Exploring:
    """Data that make curves of a page explorable.

    Attributes:
        data: JSON, safe inside a script element.
        rows: Frequency, then |Z| and phase of every curve, as text.
    """

    data: Markup
    script: Markup
    style: Markup
    names: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]


def exploring(
    curves: Sequence[FittedCurve],
    names: Sequence[str],
    *,
    what: str,
    third: Mapping[str, Any],
    models: bool,
    marked: Mapping[int, Sequence[Mark]],
) -> Exploring:
    """Make curves ready for the page.

    Args:
        curves: At least one.
        names: Names of the curves, no two alike.
        what: What the curves are, as the head of a column: ``take`` or ``state``.
        third: The lowest chart: ``label``, ``name``, ``least`` and ``rows``, see `residuals`.
        marked: Points of curves that are named, by the number of the curve.
    """
    document = {
        "what": what,
        "curves": [_curve(c, name, models) for c, name in zip(curves, names, strict=True)],
        "third": third,
        "marks": [
            {"curve": k, "f": one.frequency_hz, "z": one.ohm, "name": one.name, "text": one.text}
            for k, found in marked.items()
            for one in found
        ],
    }
    return Exploring(
        data=_script_safe(document),
        script=Markup(
            f"/*\n{_file('vendor/uplot/LICENSE')}\n*/\n{_file('vendor/uplot/uPlot.iife.min.js')}\n"
            f"{_file('explore.js')}"
        ),
        style=Markup(_file("vendor/uplot/uPlot.min.css")),
        names=tuple(names),
        rows=tuple(_rows(curves)),
    )


def residuals(curves: Sequence[FittedCurve]) -> dict[str, Any]:
    """Make the lowest chart of a fit: what the model leaves over, in per cent of |Z|."""
    rows = []
    for index, curve in enumerate(curves):
        measured = np.abs(curve.measured_ohm)
        off = 100 * (measured - np.abs(curve.model_ohm)) / measured
        rows.append({"curve": index, "f": short(curve.frequency_hz, 6), "value": short(off, 4)})
    return {"label": "off model, %", "name": "off model", "least": 0.1, "rows": rows}


def _curve(curve: FittedCurve, name: str, models: bool) -> dict[str, Any]:
    known = np.iscomplexobj(curve.measured_ohm)
    written: dict[str, Any] = {
        "name": name,
        "f": short(curve.frequency_hz, 6),
        "z": short(np.abs(curve.measured_ohm), 6),
        "phase": short(np.degrees(np.angle(curve.measured_ohm)), 5) if known else None,
    }
    if models:
        written["model"] = short(np.abs(curve.model_ohm), 6)
        written["modelPhase"] = short(np.degrees(np.angle(curve.model_ohm)), 5)
    return written


def short(values: FloatArray, digits: int) -> list[float]:
    """Round to so many significant digits, for a page that need not carry sixteen."""
    return [float(f"{value:.{digits}g}") for value in values]


def _script_safe(document: object) -> Markup:
    """Write JSON that no HTML parser takes for anything else (HTML Living Standard, 4.12.1.3)."""
    text = harmless(
        json.dumps(document, ensure_ascii=False, allow_nan=False, separators=(",", ":"))
    )
    return Markup(text.replace("&", r"\u0026").replace("<", r"\u003c").replace(">", r"\u003e"))


def _file(name: str) -> str:
    from importlib.resources import files

    return files("cli").joinpath(f"report/{name}").read_text(encoding="utf-8")


def _rows(curves: Sequence[FittedCurve]) -> Iterable[tuple[str, ...]]:
    """Interpolate in the logarithm of frequency at third octaves that any curve reaches."""
    low = min(float(curve.frequency_hz[0]) for curve in curves)
    high = max(float(curve.frequency_hz[-1]) for curve in curves)
    for frequency in (step * 10.0**power for power in range(-1, 6) for step in _THIRDS):
        if not low <= frequency <= high:
            continue
        cells = [f"{frequency:g}"]
        for curve in curves:
            cells += _cells(curve, frequency)
        yield tuple(cells)


def _cells(curve: FittedCurve, frequency: float) -> tuple[str, str]:
    f = curve.frequency_hz
    if not f[0] <= frequency <= f[-1]:
        return "–", "–"
    at, where = np.log(frequency), np.log(f)
    if not np.iscomplexobj(curve.measured_ohm):
        return significant(float(np.interp(at, where, curve.measured_ohm))), "–"
    z = curve.measured_ohm
    value = complex(np.interp(at, where, z.real), np.interp(at, where, z.imag))
    return significant(abs(value)), number(float(np.degrees(np.angle(value))), 0)
