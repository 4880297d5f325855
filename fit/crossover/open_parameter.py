"""A parameter of a law that the takes leave open, from the fit's own curve in free air.

What takes leave open moves the impedance by less than its uncertainty: as a load, the driver is
known all the same.
"""

from __future__ import annotations

import math

import numpy as np

from fit.driver.from_reported import in_free_air
from fit.driver.impedance import Driver
from fit.driver.models import named
from fit.results.result import DriverFit

_SPAN = np.linspace(math.log(1e-9), math.log(1e9), 181)
_SAME = 1e-3
"""Relative departure from the fit's own curve that a load may show: resistors are known worse."""


def whole_values(fit: DriverFit) -> dict[str, float]:
    """Reported values of a fit, with one that its model needs and the takes leave open.

    That value is the one that gives the fit's own curve; where none does, or two are open, the
    values come back as they are.

    Args:
        fit: A fit with a curve in free air.
    """
    from scipy.optimize import minimize_scalar

    values = {symbol: estimate.value for symbol, estimate in fit.parameters.items()}
    try:
        laws = Driver(*named(fit.model)).mechanics.laws
    except ValueError:
        return values
    missing = [name for law in laws for name in law.quantities if name not in values]
    if len(missing) != 1 or not fit.free_air:
        return values
    curve = fit.free_air[0]
    s = np.asarray(2j * np.pi * curve.frequency_hz)

    def away(logarithm: float) -> float:
        tried = in_free_air(fit.model, {**values, missing[0]: math.exp(logarithm)})
        total = tried.driver.impedance(s, tried.internal).total
        return float(np.max(np.abs(total / curve.model_ohm - 1)))

    at = int(np.clip(np.argmin([away(point) for point in _SPAN]), 1, _SPAN.size - 2))
    ends = (float(_SPAN[at - 1]), float(_SPAN[at + 1]))
    best = float(minimize_scalar(away, bounds=ends, method="bounded").x)
    return values if away(best) > _SAME else {**values, missing[0]: math.exp(best)}
