"""The reported quantities: symbol, unit, name, and how people write their size."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from fit.driver.elements.quantity import Quantity, rounded

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


def quantity(symbol: str, unit: str) -> Quantity:
    """What a symbol means; one that is not known stands for itself.

    Args:
        symbol: Of the quantity.
        unit: Its base unit.
    """
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
