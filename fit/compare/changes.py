"""Changes between fits, with the errors they share taken out first.

Everything is done in logarithms, so that before against after and after against before say the
same. A source that both fits name (same resistor, same ruler) enters once, with the difference of
its two signed effects; everything else enters with its square from either side. So does the air,
though all fits name it alike: pressure and temperature are those of a sitting.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any, Literal

from fit.compare.repeatability import REPEATABILITY, assumed_effects, assumed_parts, is_repeated
from fit.results.error_sources import WEATHER, part_of
from fit.results.quantities import QUANTITIES, shown
from fit.results.result import DriverFit, Estimate

Word = Literal["changed", "unchanged", "undecided"]

MARGIN = 0.05
"""Default margin of ``unchanged``: 5 % in fs or a Q moves a response by 0.4 dB at most, less than
two units built alike differ (common practice, no source)."""


@dataclass(frozen=True)
class Change:
    """One parameter in two fits.

    Attributes:
        unit: Unit of the two values.
        change_relative: After over before, minus one; for decibels of the power they stand for.
        verdict: ``changed`` when the interval excludes zero; else ``unchanged`` when it lies
            within the margin; else ``undecided``.
        significance: Change over its standard uncertainty, in the logarithm.
    """

    parameter: str
    unit: str
    before: float
    after: float
    change_relative: float
    standard_uncertainty: float
    interval_95: tuple[float, float]
    verdict: Word
    significance: float

    def as_json(self) -> dict[str, Any]:
        """Ready for ``json.dumps``."""
        kept = {name: value for name, value in vars(self).items() if name != "significance"}
        return kept | {"interval_95": list(self.interval_95)}


@dataclass(frozen=True)
class Remark:
    """An assumption, or what could not be compared.

    Attributes:
        names: States it is about; empty where the text says so.
    """

    names: tuple[str, ...]
    text: str

    def __str__(self) -> str:
        """The remark as a sentence, its states before it."""
        named = " and ".join(filter(None, (", ".join(self.names[:-1]), *self.names[-1:])))
        return f"{named}: {self.text}" if named else self.text


@dataclass(frozen=True)
class Comparison:
    """Two fits side by side.

    Attributes:
        margin: Relative change that does not matter.
        changes: Most significant first.
        remarks: Assumptions, and what could not be compared.
    """

    before: str
    after: str
    margin: float
    changes: tuple[Change, ...]
    remarks: tuple[Remark, ...]

    @property
    def notes(self) -> tuple[str, ...]:
        """The remarks in words."""
        return tuple(map(str, self.remarks))

    def change(self, parameter: str) -> Change | None:
        """The change of one parameter, None where it was not compared."""
        return next((c for c in self.changes if c.parameter == parameter), None)

    def _repr_html_(self) -> str:
        from fit.compare.html import comparison_html

        return comparison_html(self)


def compare(
    before: DriverFit,
    after: DriverFit,
    *,
    names: tuple[str, str] = ("before", "after"),
    margin: float = MARGIN,
) -> Comparison:
    """Compare two fits, the errors they share taken out.

    >>> new = DriverFit("plain", {"fs": Estimate(60.0, "Hz", {"resistor": 0.60})}, ())
    >>> used = DriverFit("plain", {"fs": Estimate(54.0, "Hz", {"resistor": 0.54})}, ())
    >>> change = compare(new, used).changes[0]
    >>> print(f"{change.parameter} {change.change_relative:+.1%}: {change.verdict}")
    fs -10.0%: changed

    Args:
        margin: Relative change that does not matter, more than 0 and less than 1.

    Raises:
        ValueError: If the margin is no such fraction.
    """
    if not 0 < margin < 1:
        raise ValueError("the margin is a fraction between 0 and 1")
    if is_repeated(before) == is_repeated(after):
        remarks = [Remark(names, _assumption(before))]
    else:
        fits = zip(names, (before, after), strict=True)
        remarks = [Remark((name,), _assumption(fit)) for name, fit in fits]
    left_out: list[str] = []
    ratios = {
        symbol: after.parameters[symbol].change_from(
            before.parameters[symbol],
            assumed=(assumed_effects(before, {symbol: 1.0}), assumed_effects(after, {symbol: 1.0})),
        )
        for symbol in _comparable(before, after, left_out, names)
    }
    changes = [
        _change(symbol, before.parameters[symbol], after.parameters[symbol], ratio, margin)
        for symbol, ratio in ratios.items()
    ]
    changes.sort(key=lambda change: -abs(change.significance))
    led = [c.parameter for c in changes if _is_led_by_the_air(ratios[c.parameter])]
    if led:
        left_out.append(
            f"{_symbols(led)}: most of the uncertainty is that of the air. Each fit brings its "
            "own, for rooms and weather change between sittings. A closer temperature and pressure "
            "with each fit narrow it."
        )
    remarks += [Remark((), text) for text in left_out]
    return Comparison(*names, margin, tuple(changes), tuple(remarks))


def _comparable(
    before: DriverFit, after: DriverFit, notes: list[str], names: tuple[str, str]
) -> list[str]:
    """Choose the symbols to compare, a model's own under the same model only; note the others."""
    if before.model != after.model:
        notes.append(
            f"the driver is described by {before.model!r} in {names[0]} and by {after.model!r} in "
            f"{names[1]}: the parameters of these models are not compared"
        )
    for name, one, other in ((names[0], before, after), (names[1], after, before)):
        alone = [s for s in QUANTITIES if s in one.parameters and s not in other.parameters]
        if alone:
            notes.append(f"only {name} gives {_symbols(alone)}: not compared")
    found = []
    for symbol, first in before.parameters.items():
        if symbol not in after.parameters:
            continue
        second = after.parameters[symbol]
        if symbol not in QUANTITIES and before.model != after.model:
            continue
        if first.unit != "dB" and min(first.value, second.value) <= 0:
            continue
        if first.frequency_hz != second.frequency_hz:
            notes.append(_not_at_one_frequency(symbol, first, second, names))
            continue
        found.append(symbol)
    return found


def _not_at_one_frequency(
    symbol: str, first: Estimate, second: Estimate, names: tuple[str, str]
) -> str:
    if not first.frequency_hz or not second.frequency_hz:
        return f"{symbol} is stated at different frequencies: not compared"
    return (
        f"{symbol} is stated at {first.frequency_hz:g} Hz in {names[0]} and at "
        f"{second.frequency_hz:g} Hz in {names[1]}: not compared"
    )


def _change(
    symbol: str, before: Estimate, after: Estimate, ratio: Estimate, margin: float
) -> Change:
    low, high = ratio.interval_95
    limit = math.log1p(margin)
    verdict: Word = "undecided"
    if low > 0 or high < 0:
        verdict = "changed"
    elif -limit <= low and high <= limit:
        verdict = "unchanged"
    spread = ratio.widening * ratio.standard_uncertainty
    significance = ratio.value / spread if spread else math.copysign(math.inf, ratio.value)
    return Change(
        parameter=symbol,
        unit=before.unit,
        before=before.value,
        after=after.value,
        change_relative=math.expm1(ratio.value),
        standard_uncertainty=math.exp(ratio.value) * ratio.standard_uncertainty,
        interval_95=(math.expm1(low), math.expm1(high)),
        verdict=verdict,
        significance=significance if ratio.value else 0.0,
    )


def _symbols(names: Iterable[str]) -> str:
    return ", ".join(shown(name, "").symbol for name in names)


def _is_led_by_the_air(ratio: Estimate) -> bool:
    """Tell whether the air makes most of the variance of a change."""
    return part_of(ratio.contributions, *WEATHER) ** 2 > ratio.standard_uncertainty**2 / 2


def _assumption(fit: DriverFit) -> str:
    parts = "; ".join(REPEATABILITY[part][1] for part in assumed_parts(fit))
    if is_repeated(fit):
        return (
            "the free-air takes show their own scatter; assumed besides, as standard "
            f"uncertainties of a driver clamped anew: {parts}"
        )
    return (
        "one free-air take cannot show how far another would differ; assumed, as "
        f"standard uncertainties of a driver clamped anew: {parts}. Two or more free-air takes in "
        "one fit, clamped anew, show it better."
    )
