"""Numbers as people read them: digits, signs, prefixes and units of text, pages and pictures."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

from fit.driver.elements.quantity import rounded as rounded

if TYPE_CHECKING:
    from fit.results.result import Estimate

SIGNS = {"ohm": "Ω", "litre": "L", "cm2": "cm²", "1": ""}
"""Units whose sign is not their name."""

_WORKSHOP = {
    "kg": (1e-3, "g"), "m3": (1e-3, "L"), "m2": (1e-4, "cm²"), "m/N": (1e-3, "mm/N"),
    "H": (1e-3, "mH"), "F": (1e-6, "µF"),
}  # fmt: skip
_PREFIXES = ((1.0, ""), (1e-3, "m"), (1e-6, "µ"), (1e-9, "n"), (1e-12, "p"))


def workshop(unit: str) -> tuple[float, str]:
    """Find the unit that a workshop uses: its size in the SI base ``unit``, and its sign."""
    return _WORKSHOP.get(unit) or (1.0, SIGNS.get(unit, unit))


def prefixed(value: float, unit: str) -> tuple[float, str]:
    """Find the prefix that suits a value: its factor, and the sign of the unit with it."""
    sign = SIGNS.get(unit, unit)
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


def with_prefix(value: float, unit: str, digits: int = 3) -> str:
    """Write a value with the prefix that suits it.

    >>> with_prefix(4.7e-6, "F")
    '4.70 µF'
    """
    factor, sign = prefixed(value, unit)
    return f"{significant(value / factor, digits)} {sign}".rstrip()


def with_unit(text: str, unit: str) -> str:
    """Write number and unit, or the bare number of a pure one."""
    return text if unit in ("", "1") else f"{text} {unit}"


def decimals_for(uncertainty: float, value: float, most: int = 5) -> int:
    """Decimals that show an uncertainty with two significant digits (JCGM 100:2008, 7.2.6).

    Args:
        uncertainty: Half-width of the interval.
        value: In the same unit.
        most: Significant digits that a value has at most: nobody acts on the sixth.
    """
    if not math.isfinite(uncertainty) or uncertainty <= 0:
        uncertainty = abs(value) * 1e-4
    kept = most - 1 - math.floor(math.log10(abs(value))) if value else 6
    return max(0, min(1 - math.floor(math.log10(uncertainty or 1.0)), kept))


def number(value: float, decimals: int) -> str:
    """Write a fixed-point number with a true minus sign, never ``-0``.

    >>> number(-0.004, 2), number(-1.5, 1)
    ('0.00', '−1.5')
    """
    text = f"{value:.{min(decimals, 9)}f}"
    if text.startswith("-"):
        return text[1:] if float(text) == 0 else "−" + text[1:]
    return text


def signed(value: float, decimals: int) -> str:
    """Write a change with its sign."""
    text = number(value, decimals)
    return text if text.startswith("−") else f"+{text}"


def reaching(value: float, reach: float) -> tuple[str, str]:
    """Write a flaw and its reach; what may be nothing as the most that it may be.

    >>> reaching(0.3142, 0.05), reaching(0.3142, 3.6)
    (('0.314', '0.050'), ('≤ 3.9', ''))
    """
    if reach >= abs(value):
        return f"≤ {significant(max(value + reach, 0.0), 2)}", ""
    decimals = decimals_for(reach, value)
    return number(value, decimals), number(reach, decimals)


def significant(value: float, digits: int = 3) -> str:
    """Write a fixed-point number with so many significant digits."""
    if value == 0 or not math.isfinite(value):
        return f"{value:g}"
    return number(value, max(0, digits - 1 - math.floor(math.log10(abs(value)))))


def percent(fraction: float) -> str:
    """Write a fraction as per cent with two significant digits below 10 %."""
    size = abs(fraction) * 100
    return f"{number(fraction * 100, 0 if size >= 10 else 1 if size >= 1 else 2)} %"


def signed_percent(fraction: float) -> str:
    """Write a fraction as `percent` does, with its sign."""
    text = percent(fraction)
    return text if text.startswith("−") else f"+{text}"


def kilo(value: float) -> str:
    """Write a frequency [Hz] or resistance [ohm] at an axis: ``20``, ``500``, ``2k``."""
    return f"{value / 1000:g}k" if value >= 1000 else f"{value:g}"


@dataclass(frozen=True)
class Figures:
    """An estimate as strings, rounded together.

    Attributes:
        value: The value with as many decimals as its uncertainty deserves.
        low: Lower end of the 95 % interval.
        reach: The longer of the two ways from the value to an end.
    """

    value: str
    low: str
    high: str
    reach: str

    @property
    def even(self) -> bool:
        """Tell whether both ends are as far from the value, in the digits shown."""
        ends = (self.low, self.value, self.high)
        low, value, high = (float(one.replace("−", "-")) for one in ends)
        return abs(high - 2 * value + low) <= 0.15 * (high - low)

    @property
    def interval(self) -> str:
        """Reach of the interval, or both its ends where they are not as far from the value."""
        return self.reach if self.even else f"{self.low} to {self.high}"

    def with_interval(self, unit: str = "") -> str:
        """Value and interval: ``48.0 ± 0.2 Hz``, ``2.8 (1.1 to 7.0) kHz``."""
        reach = f"± {self.reach}" if self.even else f"({self.interval})"
        return with_unit(f"{self.value} {reach}", unit)


def figures(estimate: Estimate, scale: float, most: int = 5) -> Figures:
    """Round an estimate and its interval together.

    Args:
        estimate: In its base unit.
        most: Significant digits that the value has at most.
    """
    low, high = (end / scale for end in estimate.interval_95)
    value = estimate.value / scale
    decimals = decimals_for((high - low) / 2, value, most)
    reach = max(high - value, value - low)
    return Figures(*(number(part, decimals) for part in (value, low, high, reach)))
