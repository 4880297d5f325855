"""Changes of a driver that is clamped anew, beyond what its fit can show."""

from __future__ import annotations

from collections.abc import Mapping

from fit.driver.models import OF_LAWS
from fit.results.error_sources import ASSUMED, Effect, combine
from fit.results.quantities import QUANTITIES
from fit.results.result import DriverFit
from fit.results.scaling import Exponents, exponents

REPEATABILITY: Mapping[str, tuple[float, str]] = {
    "Cms": (0.01, "suspension stiffness 1 % (rest, temperature, creep, excursion)"),
    "Rms": (0.015, "mechanical loss 1.5 %"),
    "Mms": (0.003, "moving mass as clamped 0.3 %"),
    "Re": (0.0023, "coil temperature within 1 K either way"),
    "Bl": (0.003, "rest position of the coil, 0.3 % in Bl"),
    "Le": (0.01, "rest position of the coil, 1 % in Le"),
}
"""What a driver does between two takes when it is clamped anew, as relative standard uncertainty
of its parts, where the takes of a fit cannot show it themselves. Common practice, no source, but
for copper's 0.393 %/K (IEC 60028) over a rectangular 1 K."""

_SEEN_IN_TAKES = ("Re", "Cms", "Rms")
"""Parts whose scatter several free-air takes show, and which the fit then carries itself."""


def is_repeated(fit: DriverFit) -> bool:
    """Tell whether several free-air takes show how far the driver departs from one to the next."""
    return sum(curve.condition == "free-air" for curve in fit.curves) > 1


def assumed_parts(fit: DriverFit) -> list[str]:
    """Parts whose repeatability the fit cannot show."""
    return [part for part in REPEATABILITY if not (is_repeated(fit) and part in _SEEN_IN_TAKES)]


def assumed_effects(fit: DriverFit, weights: Mapping[str, Effect]) -> dict[str, Effect]:
    """Effects of clamping the driver anew on a weighted sum of logarithms of its quantities.

    Args:
        fit: The driver, which knows how often it was measured.
        weights: Symbol to its weight in the sum, a number or an array over frequency.
    """
    moved = combine((weight, powers(symbol, fit)) for symbol, weight in weights.items())
    return {
        f"{ASSUMED}{part}": REPEATABILITY[part][0] * moved[part]
        for part in assumed_parts(fit)
        if part in moved
    }


def effects(fit: DriverFit, weights: Mapping[str, Effect]) -> dict[str, Effect]:
    """Effects of all error sources and of clamping anew on a weighted sum of logarithms.

    Args:
        weights: Symbol to its weight in the sum, a number or an array over frequency.
    """
    of_sources = combine(
        (weight, fit.parameters[symbol].logarithmic_effects) for symbol, weight in weights.items()
    )
    return of_sources | assumed_effects(fit, weights)


def powers(symbol: str, fit: DriverFit) -> Exponents:
    """Exponent of each part of the driver in a quantity or in a parameter of its model."""
    if symbol in OF_LAWS:
        return {"Rms": 1.0}  # laws of suspension and former move as the loss they stand for
    if symbol not in QUANTITIES:
        return {"Le": 1.0}  # parameters of the coil model move with the coil, as Le does
    return exponents(symbol, fit.parameters)
