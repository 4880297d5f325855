"""Answers as people write them, turned into what the command line takes.

The command line is strict, because a script cannot ask back. Here somebody sits at a terminal: a
number without its unit is asked about, inches and altitudes are converted, and what was understood
is said.
"""

from __future__ import annotations

import re

from cli.terminal import ask, show
from meas.errors import UsageError

_NUMBER = r"[0-9]+(?:\.[0-9]+)?"
_INCH_MM = 25.4
_FOOT_M = 0.3048
_SPELT = {
    r"\s*per\s?cent": "%", "grams?": "g", "(?:litre|liter)s?": "L",
    "(?:millimetre|millimeter)s?": "mm", "(?:centimetre|centimeter)s?": "cm",
    "(?:degrees? )?celsius": "C",
}  # fmt: skip
"""Units as people spell them out."""


def with_unit(unit: str, text: str) -> str:
    """An answer with its limits tidied; a bare number gets the unit if that is meant.

    Args:
        unit: Proposed for a bare number, such as ``ohm``.
        text: As typed, such as ``10``, ``10R 5%``, ``8.2 ohm, 1 percent``, ``7.5 g +/- 0.1``.

    Returns:
        What the command line reads, such as ``10R±5%``.
    """
    text = re.sub(r"\s*(?:\+\s*/?\s*-|±)\s*", "±", text.strip())
    for spelt, sign in _SPELT.items():
        text = re.sub(rf"(?<=[0-9 ]){spelt}\b", sign, text, flags=re.IGNORECASE)
    text = re.sub(rf"(?<=[0-9A-Za-zΩµ]),?\s+({_NUMBER}\s*%)$", r"±\1", text)
    text = re.sub(rf"({_NUMBER})\s+(?=[A-Za-zΩµ%°])", r"\1", text)
    text = re.sub(rf"^({_NUMBER})([A-Za-zΩµ]+)±({_NUMBER})$", r"\1\2±\3\2", text)
    if re.fullmatch(rf"{_NUMBER}(?:±{_NUMBER}%)?", text):
        number, _, limits = text.partition("±")
        meant = f"{number}{unit}" + (f"±{limits}" if limits else "")
        why = f"A number needs its unit; without one {unit} is the likely one here."
        return meant if ask.confirmed(f"{meant}?", why) else text
    return text


def length(text: str) -> str:
    """A length, inches among them: ``5.0 inch`` is ``127mm±1.27mm``, half a digit either way.

    Whole inches would leave half an inch open, which says next to nothing of a cone: they count as
    read to a sixteenth (the marks of a tape, common practice, no source) if that is said.
    """
    inches = re.fullmatch(rf"({_NUMBER})\s*(?:in|inch|inches|\"|″|'')", text.strip(), re.IGNORECASE)
    if inches is None:
        return with_unit("mm", text)
    decimals = len(inches[1].partition(".")[2])
    half, why = 0.5 * 10.0**-decimals * _INCH_MM, "half a digit either way"
    if not decimals:
        half, why = _INCH_MM / 16, "a sixteenth of an inch either way"
        explained = "Whole inches as written are good to half an inch only, too little for a cone."
        if not ask.confirmed(
            "Half an inch is left open so. Read to a sixteenth?", explained, default=False
        ):
            raise UsageError(
                f"{text} as written is good to half an inch only",
                remedy="Measure to a tenth, such as 4.9 inch, or in millimetres, such as 124mm.",
            )
    written = f"{float(inches[1]) * _INCH_MM:.4g}mm±{half:.2g}mm"
    show.note(f"{text} is {written}: {why}. A ruler in millimetres tells more.")
    return written


def pressure(text: str) -> str:
    """An air pressure, or the height of the place: ``300 metres`` is ``300m``, feet too."""
    height = re.fullmatch(
        rf"({_NUMBER})\s*(?:(m|metres?|meters?)|ft|feet|foot)", text.strip(), re.IGNORECASE
    )
    if height is None:
        return with_unit("hPa", text)
    return f"{height[1]}m" if height[2] else f"{float(height[1]) * _FOOT_M:.0f}m"


def side_of_a_plug(text: str) -> str:
    """An input by its number, or by its side of a stereo plug."""
    return {"left": "1", "l": "1", "right": "2", "r": "2"}.get(text.strip().lower(), text)
