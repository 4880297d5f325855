"""Reported quantities as products of powers of the parts of a driver.

A small relative change of a part (coil resistance, force factor, moving mass, compliance, loss,
area) moves each quantity by exponent times that change. From the definitions of A. N. Thiele, J.
Audio Eng. Soc. 19(5), 1971 and R. H. Small, J. Audio Eng. Soc. 20(5), 1972:
Res = Bl^2/Rms, fs = 1/(2 pi sqrt(Mms Cms)), Qms = sqrt(Mms/Cms)/Rms, Qes = sqrt(Mms/Cms) Re/Bl^2,
Vas = rho c^2 Sd^2 Cms, eta0 = rho Bl^2 Sd^2/(2 pi c Re Mms^2), Zmax = Re + Bl^2/Rms.
"""

from __future__ import annotations

from collections.abc import Mapping

from fit.results.result import Estimate

PARTS = ("Re", "Le", "Bl", "Mms", "Cms", "Rms", "Sd")

Exponents = Mapping[str, float]

_POWER_LAWS: Mapping[str, Exponents] = {
    **{part: {part: 1.0} for part in PARTS},
    "fs": {"Mms": -0.5, "Cms": -0.5},
    "Qms": {"Mms": 0.5, "Cms": -0.5, "Rms": -1.0},
    "Qes": {"Mms": 0.5, "Cms": -0.5, "Re": 1.0, "Bl": -2.0},
    "Re_20C": {"Re": 1.0},
    "Res": {"Bl": 2.0, "Rms": -1.0},
    "Zmin": {"Re": 1.0},  # the inductive share of the minimum is left out
    "Vas": {"Cms": 1.0, "Sd": 2.0},
    "Sd_from_takes": {"Sd": 1.0},
    "eta0": {"Bl": 2.0, "Sd": 2.0, "Re": -1.0, "Mms": -2.0},
    "sensitivity_1w": {"Bl": 2.0, "Sd": 2.0, "Re": -1.0, "Mms": -2.0},
    "sensitivity_2v83": {"Bl": 2.0, "Sd": 2.0, "Re": -2.0, "Mms": -2.0},
}


def exponents(symbol: str, parameters: Mapping[str, Estimate]) -> Exponents:
    """Exponent of each part in one quantity; for decibels in the power that they stand for.

    Args:
        symbol: Symbol of the quantity; no exponents for one that the parts do not determine.
        parameters: Symbol to estimate, for Qts and Zmax, which are no power laws.
    """
    if symbol in ("Qts", "Zmax") and {"Qms", "Qes"} <= parameters.keys():
        Qms, Qes = parameters["Qms"].value, parameters["Qes"].value
        share = Qes / (Qms + Qes)  # of Qms in Qts; also Re/(Re + Bl^2/Rms)
        if symbol == "Qts":
            return _mixture(share, _POWER_LAWS["Qms"], _POWER_LAWS["Qes"])
        return _mixture(share, {"Re": 1.0}, {"Bl": 2.0, "Rms": -1.0})
    return _POWER_LAWS.get(symbol, {})


def _mixture(share: float, first: Exponents, second: Exponents) -> Exponents:
    return {
        part: share * first.get(part, 0.0) + (1 - share) * second.get(part, 0.0)
        for part in {**first, **second}
    }
