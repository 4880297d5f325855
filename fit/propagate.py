"""Quantities computed from stated values, with what each value leaves open."""

from __future__ import annotations

from collections.abc import Callable, Mapping

from fit.measured import Stated
from fit.result import Estimate

Quantities = Mapping[str, tuple[float, str]]
"""Symbol to value and unit."""

_STEP = 1e-5
_NOTHING = 1e-9
"""Relative effect that is rounding and not dependence."""


def propagate(
    function: Callable[[Mapping[str, float]], Quantities], inputs: Mapping[str, Stated]
) -> dict[str, Estimate]:
    """Evaluate and propagate to first order (JCGM 100:2008, 5.1.2).

    Args:
        function: Values by name to quantities; smooth.
        inputs: Values by name, with limits; those of one source share one error.

    Returns:
        Symbol to estimate, the contributions under the identities of the sources.
    """
    values = {name: stated.value for name, stated in inputs.items()}
    found = function(values)
    parts: dict[str, dict[str, float]] = {symbol: {} for symbol in found}
    own_value = {symbol: value for symbol, (value, _) in found.items()}
    for name, stated in inputs.items():
        if stated.standard_uncertainty <= 0:
            continue
        step = _STEP * (abs(stated.value) or 1.0)
        up = function(values | {name: stated.value + step})
        down = function(values | {name: stated.value - step})
        for symbol, own in parts.items():
            slope = (up[symbol][0] - down[symbol][0]) / (2 * step)
            effect = slope * stated.standard_uncertainty
            if abs(effect) > _NOTHING * abs(own_value[symbol]):
                own[stated.source] = own.get(stated.source, 0.0) + effect
    return {
        symbol: Estimate(value, unit, parts[symbol], logarithmic=value > 0 and unit != "dB")
        for symbol, (value, unit) in found.items()
    }
