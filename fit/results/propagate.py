"""Functions of stated values and of fits, with the uncertainty of their inputs propagated."""

from __future__ import annotations

import math
from collections.abc import Callable, Hashable, Mapping, Sequence
from dataclasses import replace
from typing import TypeVar

import numpy as np

from fit.given.measured import Stated
from fit.results.error_sources import named_apart
from fit.results.result import DriverFit, Estimate, widest
from meas.curve import FloatArray
from meas.errors import Refused

Key = TypeVar("Key", bound=Hashable)
Quantities = Mapping[str, tuple[float, str]]
"""Symbol to value and unit."""

_NOTHING = 1e-9
"""Relative effect that is rounding and not dependence."""
_SMALL = 1e-3
"""Step of a derivative, in standard uncertainties of a source."""
_MOST_BEND = 0.3
"""Where a step of a whole standard uncertainty departs from the straight line by more than this
part of the result's uncertainty, the first order is no answer (JCGM 100:2008, 5.1.2, note)."""


def moved(inputs: Mapping[Key, Estimate], source: str, step: float) -> dict[Key, float]:
    """Shift all inputs as one error source does by ``step`` standard uncertainties."""
    values = {}
    for key, one in inputs.items():
        off = step * one.contributions.get(source, 0.0)
        values[key] = one.value
        if off:
            values[key] = (
                one.value * math.exp(off / one.value) if one.logarithmic else one.value + off
            )
    return values


def effects_on(
    function: Callable[[Mapping[Key, float]], FloatArray | float], inputs: Mapping[Key, Estimate]
) -> dict[str, FloatArray]:
    """Differentiate any function of some inputs by their error sources.

    A source moves all inputs at once, a little up and down from where they are, so that their
    correlations count (JCGM 100:2008, 5.1.3, note 2, and 5.2, by sources).

    Args:
        function: Values by key to one number or several; smooth.
        inputs: Values with their error sources.

    Returns:
        Error source to its effect on the function, of its shape.
    """
    found = {}
    for source in dict.fromkeys(name for one in inputs.values() for name in one.contributions):
        up, down = (function(moved(inputs, source, sign * _SMALL)) for sign in (1, -1))
        found[source] = np.asarray((up - down) / (2 * _SMALL))
    return found


def propagate(
    function: Callable[[Mapping[str, float]], Quantities], inputs: Mapping[str, Stated]
) -> dict[str, Estimate]:
    """Evaluate a function of stated values and propagate their limits (JCGM 100:2008, 5.1.2).

    Args:
        function: Values by name to quantities; smooth.
        inputs: Values by name, with limits; those of one source share one error.

    Returns:
        Symbol to estimate, the contributions under the identities of the sources.
    """
    known = {
        name: Estimate(
            stated.value, "", {stated.source: stated.standard_uncertainty}, logarithmic=False
        )
        for name, stated in inputs.items()
    }

    def numbers(values: Mapping[str, float]) -> FloatArray:
        return np.array([value for value, _ in function(values).values()])

    effects = effects_on(numbers, known)
    return {
        symbol: Estimate(
            value,
            unit,
            {s: float(e[row]) for s, e in effects.items() if abs(e[row]) > _NOTHING * abs(value)},
            logarithmic=value > 0 and unit != "dB",
        )
        for row, (symbol, (value, unit)) in enumerate(
            function({name: stated.value for name, stated in inputs.items()}).items()
        )
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
    """Evaluate any function of the parameters of one fit or several, with its uncertainty.

    ``derive(lambda p: p.fs / p.Qes, lantern, unit="Hz")``. Every error source moves all
    parameters of all fits at once, so that correlations count and what several fits share (the
    same resistor, the same mass) cancels where it should (JCGM 100:2008, 5.2, by sources). The
    fits count as of one sitting, in the same air, and clamping anew is not included; `compare_fits`
    adds both.

    Args:
        function: A function of one `Symbols` per fit, giving a number; smooth.
        fits: Fits in the order of the function's arguments.
        unit: Unit of the result, as it is to be shown.

    Returns:
        The value with its error sources; its error counts as normal.

    Raises:
        Refused: ``not-linear`` if within the uncertainties the function bends too much for the
            first order, or has no value.
        ValueError: If no fit is given, or the function gives no finite number.
    """
    if not fits:
        raise ValueError("give the fits that the function is about")
    inputs = {
        (index, symbol): replace(estimate, contributions=named_apart(estimate.contributions, own))
        for index, own in enumerate(_suffixes(fits))
        for symbol, estimate in fits[index].parameters.items()
    }
    used: set[tuple[int, str]] = set()

    def at(values: Mapping[tuple[int, str], float]) -> float:
        arguments = [
            Symbols({s: v for (i, s), v in values.items() if i == index})
            for index in range(len(fits))
        ]
        found = function(*arguments)
        used.update((index, s) for index, one in enumerate(arguments) for s in one._used)
        return found

    def beside(values: Mapping[tuple[int, str], float]) -> float:
        try:
            return float(at(values))
        except (ArithmeticError, ValueError, TypeError):
            return math.nan

    value = at({key: estimate.value for key, estimate in inputs.items()})
    if not isinstance(value, int | float) or not math.isfinite(value):
        raise ValueError(f"the function gives {value!r}, which is no finite number")
    slopes = {source: float(slope) for source, slope in effects_on(beside, inputs).items()}
    bends = 0.0
    for source, slope in slopes.items():
        up, down = (beside(moved(inputs, source, sign)) for sign in (1, -1))
        bends += ((up - down) / 2 - slope) ** 2 + ((up + down) / 2 - value) ** 2
    contributions = {s: e for s, e in slopes.items() if abs(e) > _NOTHING * _NOTHING * abs(value)}
    total = math.hypot(*contributions.values())
    if not math.sqrt(bends) <= _MOST_BEND * total + _NOTHING * abs(value):
        raise Refused.because(
            "not-linear",
            f"the result, {value:.4g}, bends too much within what its inputs leave open (first "
            f"order: ±{total:.2g}), or has no value there: no uncertainty can be given for it",
            next_step="Measure the inputs better, or ask for another quantity, such as the "
            "reciprocal or the difference",
        )
    return Estimate(
        float(value),
        unit,
        contributions,
        logarithmic=False,
        widening=widest(inputs[key] for key in used),
    )


def _suffixes(fits: Sequence[DriverFit]) -> list[str]:
    """Find what sets the random sources of each fit apart; a fit given twice has one suffix."""
    first = [next(i for i, other in enumerate(fits) if other is fit) for fit in fits]
    return [f"@{index + 1}" if index else "" for index in first]
