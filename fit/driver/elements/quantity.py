"""Meaning of a reported symbol: its unit, its name, and how people write its size."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Quantity:
    """Meaning of a symbol.

    Attributes:
        unit: SI base unit as in saved fits.
        name: In words, as used in sentences.
        scale: Size of the unit that people use, in the base unit.
        shown_unit: That unit.
    """

    unit: str
    name: str
    scale: float = 1.0
    shown_unit: str = ""

    def text(self, value: float, digits: int = 3) -> str:
        """Write a value [base unit] as people do."""
        return " ".join(filter(None, (rounded(value / self.scale, digits), self.shown_unit)))


def rounded(value: float, digits: int = 3) -> str:
    """Write a number to some significant digits, without an exponent where it reads well."""
    text = f"{value:.{digits}g}"
    if "e" not in text:
        return text
    return f"{value:.0f}" if 1 <= abs(value) < 1e7 else text
