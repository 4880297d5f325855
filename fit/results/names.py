"""What quantities and conditions are called: symbol, symbol in HTML, words, unit, order."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from html import escape

from fit.results.numbers import SIGNS, rounded, workshop
from fit.results.quantities import QUANTITIES

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


@dataclass(frozen=True)
class Shown:
    """How one parameter is shown.

    Attributes:
        symbol: Plain symbol, short enough for a table.
        markup: Symbol with its subscript in HTML.
        words: What it is, in words.
        unit: Unit shown.
        scale: That unit in the SI base unit.
    """

    symbol: str
    markup: str
    words: str
    unit: str
    scale: float


def shown(symbol: str, unit: str) -> Shown:
    """Say how ``symbol`` is shown; one that is not known by its SI ``unit``."""
    from fit.driver.models import OF_COILS, OF_LAWS

    known = QUANTITIES.get(symbol) or OF_LAWS.get(symbol)
    short, markup = _SHORT.get(symbol, symbol), _MARKUP.get(symbol, escape(symbol))
    if known is not None:
        sign = SIGNS.get(known.shown_unit, known.shown_unit)
        return Shown(short, markup, known.name, sign, known.scale)
    words = OF_COILS[symbol].name if symbol in OF_COILS else _WORDS.get(symbol, "of the model")
    scale, sign = workshop(unit)
    return Shown(short, markup, words, sign, scale)


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
