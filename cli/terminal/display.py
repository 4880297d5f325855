"""How quantities are written for people: names, workshop units, sensible digits."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from html import escape
from typing import TYPE_CHECKING

from fit.results.quantities import QUANTITIES

if TYPE_CHECKING:
    from fit.results.result import Estimate


_MARKUP = {
    "Re": "R<sub>e</sub>", "Le": "L<sub>e</sub>", "fs": "f<sub>s</sub>", "Qms": "Q<sub>ms</sub>",
    "Qes": "Q<sub>es</sub>", "Qts": "Q<sub>ts</sub>", "Zmin": "Z<sub>min</sub>",
    "Zmax": "Z<sub>max</sub>", "Mms": "M<sub>ms</sub>", "Cms": "C<sub>ms</sub>",
    "Rms": "R<sub>ms</sub>", "Bl": "Bl", "Vas": "V<sub>as</sub>", "Sd": "S<sub>d</sub>",
    "Sd_from_takes": "S<sub>d</sub> (takes)", "eta0": "η<sub>0</sub>",
    "sensitivity_2v83": "L<sub>2.83 V</sub>", "sensitivity_1w": "L<sub>1 W</sub>",
    "Res": "R<sub>es</sub>", "Cmes": "C<sub>mes</sub>", "Re_20C": "R<sub>e</sub> (20 °C)",
}  # fmt: skip
_WORDS = {
    "Res": "motional resistance at resonance",
    "Re_20C": "coil resistance at 20 °C",
    "Cmes": "moving mass over Bl squared",
}
_SHORT = {
    "Re_20C": "Re at 20 °C",
    "Sd_from_takes": "Sd (takes)",
    "sensitivity_2v83": "L at 2.83 V",
    "sensitivity_1w": "L at 1 W",
}
_SIGNS = {"ohm": "Ω", "litre": "L", "cm2": "cm²"}
_PREFIXES = ((1.0, ""), (1e-3, "m"), (1e-6, "µ"), (1e-9, "n"), (1e-12, "p"))
_PART_SIGNS = {"ohm": "Ω", "H": "H", "F": "F", "1": ""}
_COIL_SCALES = {"H": (1e-3, "mH"), "1": (1.0, ""), "F": (1e-6, "µF")}

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
    """How ``symbol`` is shown; one that is not known by its SI ``unit``."""
    from fit.driver.models import OF_COILS, OF_LAWS

    known = QUANTITIES.get(symbol) or OF_LAWS.get(symbol)
    if known is not None:
        sign = _SIGNS.get(known.shown_unit, known.shown_unit)
        short = _SHORT.get(symbol, symbol)
        return Shown(short, _MARKUP.get(symbol, symbol), known.name, sign, known.scale)
    scale, name = _COIL_SCALES.get(unit, (1.0, unit))
    told = OF_COILS[symbol].name if symbol in OF_COILS else "of the model"
    words = _WORDS.get(symbol, told)
    short, markup = _SHORT.get(symbol, symbol), _MARKUP.get(symbol, escape(symbol))
    return Shown(short, markup, words, _SIGNS.get(name, name), scale)


def in_order(symbols: Iterable[str]) -> list[str]:
    """Symbols as a builder asks for them; parameters of models last."""
    given = list(symbols)
    known = [symbol for symbol in ORDER if symbol in given]
    return known + [symbol for symbol in given if symbol not in ORDER]


@dataclass(frozen=True)
class Figures:
    """An estimate as strings.

    Attributes:
        value: With as many decimals as its uncertainty deserves.
        low: Lower end of the 95 % interval.
        high: Upper end.
        reach: The longer of the two ways from the value to an end.
        unit: Unit of all four.
    """

    value: str
    low: str
    high: str
    reach: str
    unit: str


def figures(symbol: str, estimate: Estimate) -> Figures:
    """An estimate in its shown unit, rounded together with its interval."""
    how = shown(symbol, estimate.unit)
    low, high = (end / how.scale for end in estimate.interval_95)
    value = estimate.value / how.scale
    decimals = decimals_for((high - low) / 2, value)
    reach = max(high - value, value - low)
    written = [number(part, decimals) for part in (value, low, high, reach)]
    return Figures(written[0], written[1], written[2], written[3], how.unit)


def limits(estimate: Estimate, sources: Mapping[str, str]) -> list[tuple[str, float]]:
    """What limits an estimate: source in words and its share of the variance, largest first."""
    from fit.results.shares import shares

    return shares(estimate, sources)


def decimals_for(uncertainty: float, value: float) -> int:
    """Decimals that show an uncertainty with two significant digits (JCGM 100:2008, 7.2.6).

    Never more than five significant digits of the value: nobody acts on the sixth.
    """
    if not math.isfinite(uncertainty) or uncertainty <= 0:
        uncertainty = abs(value) * 1e-4
    most = 4 - math.floor(math.log10(abs(value))) if value else 6
    return max(0, min(1 - math.floor(math.log10(uncertainty or 1.0)), most))


def number(value: float, decimals: int) -> str:
    """Fixed-point number with a true minus sign, never ``-0``."""
    text = f"{value:.{min(decimals, 9)}f}"
    if text.startswith("-"):
        return text[1:] if float(text) == 0 else "−" + text[1:]
    return text


def significant(value: float, digits: int = 3) -> str:
    """Fixed-point number with so many significant digits."""
    if value == 0 or not math.isfinite(value):
        return f"{value:g}"
    return number(value, max(0, digits - 1 - math.floor(math.log10(abs(value)))))


def with_unit(text: str, unit: str) -> str:
    """Number and unit, or the bare number for a pure one."""
    return f"{text} {unit}" if unit else text


def percent(fraction: float) -> str:
    """A fraction as per cent with two significant digits below 10 %."""
    size = abs(fraction) * 100
    return f"{number(fraction * 100, 0 if size >= 10 else 1 if size >= 1 else 2)} %"


def signed_percent(fraction: float) -> str:
    """As `percent`, with its sign."""
    text = percent(fraction)
    return text if text.startswith("−") else "+" + text


def condition_words(condition: str, value: float | None) -> str:
    """For instance ``added mass 7.5 g``."""
    name = CONDITIONS.get(condition, condition)
    if value is None:
        return name
    unit = "g" if condition == "added-mass" else "L"
    return f"{name} {float(f'{value * 1e3:.4g}'):g} {unit}"


def scale_of(value: float, unit: str) -> tuple[float, str]:
    """Prefix that suits a value: its factor and the unit with it."""
    sign = _PART_SIGNS.get(unit, unit)
    if unit == "1" or value <= 0:
        return 1.0, sign
    if unit == "ohm" and value >= 1000:
        return 1e3, f"k{sign}"
    if unit == "ohm" and value >= 0.1:
        return 1.0, sign
    for factor, prefix in _PREFIXES:
        # 0.83 mH, as printed on coils, rather than 830 µH.
        if value >= (0.1 if unit == "H" else 1.0) * factor:
            return factor, f"{prefix}{sign}"
    return _PREFIXES[-1][0], f"{_PREFIXES[-1][1]}{sign}"


def written(value: float, unit: str, digits: int = 3) -> str:
    """A value with the prefix that suits it, such as ``4.70 µF``."""
    factor, sign = scale_of(value, unit)
    return f"{significant(value / factor, digits)} {sign}".rstrip()
