"""The reported quantities: symbol, unit, name, and how people write their size."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from fit.results.result import Estimate


@dataclass(frozen=True)
class Quantity:
    """What a symbol means.

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
        """A value [base unit] as people write it."""
        return " ".join(filter(None, (rounded(value / self.scale, digits), self.shown_unit)))


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


OF_COILS = {
    "K": Quantity("ohm", "coil impedance at 1 rad/s", 1, "ohm"),
    "n": Quantity("1", "exponent of the coil impedance"),
    "Kr": Quantity("ohm", "coil resistance beyond Re at 1 rad/s", 1, "ohm"),
    "Xr": Quantity("1", "exponent of that resistance"),
    "Ki": Quantity("ohm", "coil reactance at 1 rad/s", 1, "ohm"),
    "Xi": Quantity("1", "exponent of that reactance"),
    "L1": Quantity("H", "coil inductance without losses", 1e-3, "mH"),
    **{f"L{k}": Quantity("H", f"coil inductance bridged by R{k}", 1e-3, "mH") for k in (2, 3, 4)},
    **{f"R{k}": Quantity("ohm", f"losses beside L{k}", 1, "ohm") for k in (2, 3, 4)},
}
"""Parameters of coil models."""

OF_LAWS = {
    "creep": Quantity("1", "creep of the suspension per decade", 1e-2, "%"),
    "give": Quantity("1", "slow give of the suspension", 1e-2, "%"),
    "f_give": Quantity("Hz", "where the suspension gives", 1, "Hz"),
    "brake": Quantity("1", "brake of the ring over the spring at resonance", 1e-2, "%"),
    "f_former": Quantity("Hz", "where the ring lets go", 1, "Hz"),
    "R_former": Quantity("ohm", "resistance of the ring as seen in the coil", 1, "ohm"),
}
"""Parameters of laws of suspension and former."""

OF_MODELS = OF_COILS | OF_LAWS
"""What belongs to one model only: no aim of a build, and compared under the same model only."""


def quantity(symbol: str, unit: str) -> Quantity:
    """What a symbol means; one that is not known stands for itself.

    Args:
        symbol: Of the quantity.
        unit: Its base unit.
    """
    known = QUANTITIES.get(symbol) or OF_MODELS.get(symbol)
    return known or Quantity(unit, symbol, 1, "" if unit == "1" else unit)


def rounded(value: float, digits: int = 3) -> str:
    """A number to some significant digits, without an exponent where it reads well."""
    text = f"{value:.{digits}g}"
    if "e" not in text:
        return text
    return f"{value:.0f}" if 1 <= abs(value) < 1e7 else text


def shown(symbol: str, estimate: Estimate) -> str:
    """An estimate with its 95 % interval, as people write it."""
    how = quantity(symbol, estimate.unit)
    ends = estimate.interval_95
    # As many digits as show the interval to about one in ten of its half-width.
    half = (ends[1] - ends[0]) / 2 / abs(estimate.value) if estimate.value else 1.0
    digits = 6 if half <= 1e-5 else min(6, max(3, 1 + math.ceil(-math.log10(half))))
    low, high = (rounded(end / how.scale, digits) for end in ends)
    return f"{how.text(estimate.value, digits)} (95 %: {low} to {high})"
