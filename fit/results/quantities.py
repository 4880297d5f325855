"""The reported quantities: symbol in text and HTML, unit, name, order; conditions by name."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from html import escape
from typing import TYPE_CHECKING

from fit.driver.elements.quantity import Quantity, rounded
from fit.results.numbers import SIGNS, workshop

if TYPE_CHECKING:
    from fit.results.result import Estimate


QUANTITIES = {
    "Re": Quantity("ohm", "coil resistance", 1, "ohm"),
    "Re_20C": Quantity("ohm", "coil resistance at 20 C", 1, "ohm"),
    "Le": Quantity("H", "coil inductance", 1e-3, "mH"),
    "fs": Quantity("Hz", "resonance", 1, "Hz"),
    "Qms": Quantity("1", "mechanical Q"),
    "Qes": Quantity("1", "electrical Q"),
    "Qts": Quantity("1", "total Q"),
    "Res": Quantity("ohm", "motional resistance", 1, "ohm"),
    "Zmin": Quantity("ohm", "impedance minimum", 1, "ohm"),
    "Zmax": Quantity("ohm", "impedance peak", 1, "ohm"),
    "Mms": Quantity("kg", "moving mass", 1e-3, "g"),
    "Cms": Quantity("m/N", "compliance", 1e-3, "mm/N"),
    "Rms": Quantity("kg/s", "mechanical loss", 1, "kg/s"),
    "Bl": Quantity("T m", "force factor", 1, "T m"),
    "Vas": Quantity("m3", "equivalent volume", 1e-3, "litre"),
    "Sd": Quantity("m2", "cone area", 1e-4, "cm2"),
    "Sd_from_takes": Quantity("m2", "cone area from the takes", 1e-4, "cm2"),
    "eta0": Quantity("1", "reference efficiency", 1e-2, "%"),
    "sensitivity_2v83": Quantity("dB", "sensitivity at 2.83 V", 1, "dB"),
    "sensitivity_1w": Quantity("dB", "sensitivity at 1 W", 1, "dB"),
}

_MARKUP = {
    "Re": "R<sub>e</sub>", "Le": "L<sub>e</sub>", "fs": "f<sub>s</sub>", "Qms": "Q<sub>ms</sub>",
    "Qes": "Q<sub>es</sub>", "Qts": "Q<sub>ts</sub>", "Zmin": "Z<sub>min</sub>",
    "Zmax": "Z<sub>max</sub>", "Mms": "M<sub>ms</sub>", "Cms": "C<sub>ms</sub>",
    "Rms": "R<sub>ms</sub>", "Bl": "Bl", "Vas": "V<sub>as</sub>", "Sd": "S<sub>d</sub>",
    "Sd_from_takes": "S<sub>d</sub> (takes)", "eta0": "η<sub>0</sub>",
    "sensitivity_2v83": "L<sub>2.83 V</sub>", "sensitivity_1w": "L<sub>1 W</sub>",
    "Res": "R<sub>es</sub>", "Cmes": "C<sub>mes</sub>", "Re_20C": "R<sub>e</sub> (20 °C)",
}  # fmt: skip
_WORDS = {"Cmes": "moving mass over Bl squared"}
_SHORT = {
    "Re_20C": "Re at 20 °C",
    "Sd_from_takes": "Sd (takes)",
    "sensitivity_2v83": "L at 2.83 V",
    "sensitivity_1w": "L at 1 W",
}

CONDITIONS = {"free-air": "free air", "added-mass": "added mass", "test-box": "test box"}

# In the order in which a builder asks: what the meter says, the resonance, then the mechanics.
ORDER = (
    *("Re", "Re_20C", "Le", "fs", "Qms", "Qes", "Qts", "Zmin", "Zmax", "Res"),
    *("Mms", "Cms", "Rms", "Bl", "Vas", "Sd", "Sd_from_takes"),
    *("eta0", "sensitivity_2v83", "sensitivity_1w"),
)


def quantity(symbol: str, unit: str) -> Quantity:
    """Meaning of a symbol; one that is not known stands for itself."""
    known = QUANTITIES.get(symbol)
    if known is None:
        from fit.driver.models import OF_COILS, OF_LAWS

        known = OF_COILS.get(symbol) or OF_LAWS.get(symbol)
    return known or Quantity(unit, symbol, 1, "" if unit == "1" else unit)


def with_interval(symbol: str, estimate: Estimate) -> str:
    """Write an estimate with its 95 % interval."""
    how = quantity(symbol, estimate.unit)
    ends = estimate.interval_95
    # As many digits as show the interval to about one in ten of its half-width.
    half = (ends[1] - ends[0]) / 2 / abs(estimate.value) if estimate.value else 1.0
    digits = 6 if half <= 1e-5 else min(6, max(3, 1 + math.ceil(-math.log10(half))))
    low, high = (rounded(end / how.scale, digits) for end in ends)
    return f"{how.text(estimate.value, digits)} (95 %: {low} to {high})"


@dataclass(frozen=True)
class Shown:
    """One parameter as people see it.

    Attributes:
        symbol: Plain symbol, short enough for a table.
        markup: Symbol with its subscript in HTML.
        scale: That unit in the SI base unit.
    """

    symbol: str
    markup: str
    words: str
    unit: str
    scale: float


_SMALL_M3 = 1e-4


def shown(symbol: str, unit: str, value: float | None = None) -> Shown:
    """Say how ``symbol`` is shown; one that is not known by its SI ``unit``.

    A volume whose ``value`` is less than a tenth of a litre is shown in cubic centimetres.
    """
    from fit.driver.models import OF_COILS, OF_LAWS

    known = QUANTITIES.get(symbol) or OF_LAWS.get(symbol)
    short, markup = _SHORT.get(symbol, symbol), _MARKUP.get(symbol, escape(symbol))
    if known is not None:
        sign, scale = SIGNS.get(known.shown_unit, known.shown_unit), known.scale
        if sign == "L" and value is not None and value < _SMALL_M3:
            sign, scale = "cm³", 1e-6
        return Shown(short, markup, known.name, sign, scale)
    words = OF_COILS[symbol].name if symbol in OF_COILS else _WORDS.get(symbol, "of the model")
    scale, sign = workshop(unit)
    return Shown(short, markup, words, sign, scale)


def spoken(symbol: str) -> str:
    """Name a quantity in a sentence, with its symbol where that is more than a key.

    >>> spoken("fs"), spoken("sensitivity_2v83")
    ('resonance fs', 'sensitivity at 2.83 V')
    """
    how = shown(symbol, "1")
    return f"{how.words} {symbol}" if how.symbol == symbol else how.words


def capitalised(words: str) -> str:
    """Begin words as a sentence begins; names of units and symbols inside stay as they are."""
    return words[:1].upper() + words[1:]


def in_order(symbols: Iterable[str]) -> list[str]:
    """Sort symbols as a builder asks for them; parameters of models last."""
    given = list(symbols)
    known = [symbol for symbol in ORDER if symbol in given]
    return known + [symbol for symbol in given if symbol not in ORDER]


def condition_words(condition: str, value: float | None) -> str:
    """Name a condition.

    >>> condition_words("added-mass", 7.5e-3)
    'added mass 7.5 g'
    """
    name = CONDITIONS.get(condition, condition)
    if value is None:
        return name
    unit = "g" if condition == "added-mass" else "L"
    return f"{name} {rounded(value * 1e3, 4)} {unit}"
