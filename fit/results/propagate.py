"""Quantities computed from stated values or from fits, with what each of these leaves open."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence

from fit.given.measured import Stated
from fit.results.result import DriverFit, Estimate
from meas.errors import Finding, Refused

Quantities = Mapping[str, tuple[float, str]]
"""Symbol to value and unit."""

_STEP = 1e-5
_NOTHING = 1e-9
"""Relative effect that is rounding and not dependence."""
_SMALL = 1e-3
"""Step of a derivative, in standard uncertainties of a source."""
_MOST_BEND = 0.3
"""Where a step of a whole standard uncertainty departs from the straight line by more than this
part of the result's uncertainty, the first order is no answer (JCGM 100:2008, 5.1.2, note)."""


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


class Symbols:
    """The values of a fit as attributes: ``p.fs``, ``p.Qts``, in SI base units.

    Args:
        values: Symbol to value.
    """

    def __init__(self, values: Mapping[str, float]) -> None:
        self._values = values
        self._used: set[str] = set()

    def __getattr__(self, symbol: str) -> float:
        """The value of a symbol."""
        if symbol.startswith("_"):
            raise AttributeError(symbol)
        if symbol not in self._values:
            known = " ".join(self._values)
            raise AttributeError(f"the fit has no {symbol}; it has {known}")
        self._used.add(symbol)
        return self._values[symbol]


def derive(function: Callable[..., float], *fits: DriverFit, unit: str) -> Estimate:
    """Any function of the parameters of one fit or several, with its uncertainty.

    ``derive(lambda p: p.fs / p.Qes, lantern, unit="Hz")``. Every error source moves all
    parameters of all fits at once, so that correlations count and what several fits share (the
    same resistor, the same mass) cancels where it should (JCGM 100:2008, 5.2, by sources). How a
    driver departs from one clamping to the next is not in it, and fits count as of one sitting, in
    the same air; `compare_fits` adds both.

    Args:
        function: Takes one `Symbols` per fit and gives a number; smooth.
        fits: In the order of the function's arguments.
        unit: Of the result; nobody checks it.

    Returns:
        The value with the contributions of all sources; its error counts as normal.

    Raises:
        Refused: ``not-linear`` if within the uncertainties the function bends too much for the
            first order, or has no value.
        ValueError: If no fit is given, or the function gives no finite number.
    """
    if not fits:
        raise ValueError("give the fits that the function is about")
    here = [Symbols({s: e.value for s, e in fit.parameters.items()}) for fit in fits]
    value = function(*here)
    if not isinstance(value, int | float) or not math.isfinite(value):
        raise ValueError(f"the function gives {value!r}, which is no finite number")
    effects = _effects_by_source(fits)
    contributions: dict[str, float] = {}
    bends = 0.0
    for source, moved in effects.items():
        up, down = (_moved(function, fits, moved, sign * _SMALL) for sign in (1, -1))
        slope = (up - down) / (2 * _SMALL)
        up, down = (_moved(function, fits, moved, sign) for sign in (1, -1))
        bends += ((up - down) / 2 - slope) ** 2 + ((up + down) / 2 - value) ** 2
        if abs(slope) > _NOTHING * _NOTHING * abs(value):
            contributions[source] = slope
    total = math.hypot(*contributions.values())
    if not math.sqrt(bends) <= _MOST_BEND * total + _NOTHING * abs(value):
        raise Refused([_not_linear(value, total)])
    used = [
        fit.parameters[symbol].widening
        for fit, symbols in zip(fits, here, strict=True)
        for symbol in symbols._used
    ]
    return Estimate(
        float(value), unit, contributions, logarithmic=False, widening=max(used, default=1.0)
    )


def _effects_by_source(fits: Sequence[DriverFit]) -> dict[str, list[dict[str, float]]]:
    """Source to its effect on the parameters of every fit; random sources are a fit's own."""
    found: dict[str, list[dict[str, float]]] = {}
    for index, fit in enumerate(fits):
        first = next(i for i, other in enumerate(fits) if other is fit)
        for symbol, estimate in fit.parameters.items():
            for source, part in estimate.contributions.items():
                own = f"{source}@{first + 1}" if source.startswith("random:") and first else source
                found.setdefault(own, [{} for _ in fits])[index][symbol] = part
    return found


def _moved(
    function: Callable[..., float],
    fits: Sequence[DriverFit],
    effects: Sequence[Mapping[str, float]],
    step: float,
) -> float:
    """The function where a source errs by ``step`` standard uncertainties; NaN where it cannot."""
    arguments = []
    for fit, effect in zip(fits, effects, strict=True):
        values = {symbol: estimate.value for symbol, estimate in fit.parameters.items()}
        for symbol, part in effect.items():
            value, logarithmic = values[symbol], fit.parameters[symbol].logarithmic
            off = step * part
            values[symbol] = value * math.exp(off / value) if logarithmic else value + off
        arguments.append(Symbols(values))
    try:
        return float(function(*arguments))
    except (ArithmeticError, ValueError, TypeError):
        return math.nan


def _not_linear(value: float, total: float) -> Finding:
    return Finding(
        "not-linear",
        f"the result, {value:.4g}, bends too much within what its inputs leave open (first order: "
        f"±{total:.2g}), or has no value there: no uncertainty can be given for it. Measure the "
        "inputs better, or ask for another quantity, such as the reciprocal or the difference",
        refuses=True,
    )
