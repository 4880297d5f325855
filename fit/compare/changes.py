"""What changed between fits, with the errors they share taken out first.

Everything is done in logarithms, so that before against after and after against before say the
same. A source that both fits name (same resistor, same ruler) enters once, with the difference of
its two signed effects; everything else enters with its square from either side. So does the air,
though all fits name it alike: pressure and temperature are those of a sitting.
"""

from __future__ import annotations

import math
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

from fit.results.quantities import OF_LAWS, QUANTITIES
from fit.results.result import Z95, DriverFit, Estimate
from fit.results.scaling import exponents

Word = Literal["changed", "unchanged", "undecided"]

MARGIN = 0.05
"""Default margin of ``unchanged``: 5 % in fs or a Q moves a response by 0.4 dB at most, less than
two units built alike differ (common practice, no source)."""

REPEATABILITY: Mapping[str, tuple[float, str]] = {
    "Cms": (0.01, "suspension stiffness 1 % (rest, temperature, creep)"),
    "Rms": (0.015, "mechanical loss 1.5 %"),
    "Mms": (0.003, "moving mass as clamped 0.3 %"),
    "Re": (0.0023, "coil temperature within 1 K either way"),
    "Bl": (0.003, "rest position of the coil, 0.3 % in Bl"),
    "Le": (0.01, "rest position of the coil, 1 % in Le"),
}
"""What a driver does between two takes when it is clamped anew, as relative standard uncertainty
of its parts, where the takes of a fit cannot show it themselves. Common practice, no source, but
for copper's 0.393 %/K (IEC 60028) over a rectangular 1 K."""

WEATHER = frozenset({"air-temperature", "air-pressure", "air-humidity"})
"""Errors of one sitting, which no two fits share by their name: the next one has another room."""

_SEEN_IN_TAKES = ("Re", "Cms", "Rms")
"""Parts whose scatter several free-air takes show, and which the fit then carries itself."""


@dataclass(frozen=True)
class Change:
    """One parameter in two fits.

    Attributes:
        parameter: Symbol.
        unit: Of the two values.
        before: Value in the first fit.
        after: Value in the second.
        change_relative: After over before, minus one; for decibels of the power they stand for.
        standard_uncertainty: Of ``change_relative``.
        interval_95: Of ``change_relative``.
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


@dataclass(frozen=True)
class Comparison:
    """Two fits side by side.

    Attributes:
        before: Name of the first.
        after: Name of the second.
        margin: Relative change that does not matter.
        changes: Most significant first.
        notes: What was assumed and what could not be compared, in words.
    """

    before: str
    after: str
    margin: float
    changes: tuple[Change, ...]
    notes: tuple[str, ...]

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
    """Compare two fits.

    Args:
        before: The first.
        after: The second.
        names: What to call them.
        margin: Relative change that does not matter, more than 0 and less than 1.

    Raises:
        ValueError: If the margin is no such fraction.
    """
    if not 0 < margin < 1:
        raise ValueError("the margin is a fraction between 0 and 1")
    notes = [_assumption(name, fit) for name, fit in zip(names, (before, after), strict=True)]
    if _repeated(before) == _repeated(after):
        notes = [_assumption(" and ".join(names), before)]
    changes = []
    for symbol in _comparable(before, after, notes, names):
        first, second = before.parameters[symbol], after.parameters[symbol]
        if first.frequency_hz != second.frequency_hz:
            notes.append(
                f"{symbol} is stated at {first.frequency_hz:g} Hz in {names[0]} and at "
                f"{second.frequency_hz:g} Hz in {names[1]}: not compared"
                if first.frequency_hz and second.frequency_hz
                else f"{symbol} is stated at different frequencies: not compared"
            )
            continue
        own = (repeatability(symbol, before), repeatability(symbol, after))
        changes.append(_change(symbol, first, second, own, margin))
    changes.sort(key=lambda change: -abs(change.significance))
    notes += _of_the_air(before, after, changes)
    return Comparison(*names, margin, tuple(changes), tuple(notes))


def _comparable(
    before: DriverFit, after: DriverFit, notes: list[str], names: tuple[str, str]
) -> list[str]:
    """Symbols to compare; a model's own only under the same model."""
    if before.model != after.model:
        notes.append(
            f"the driver is described by {before.model!r} in {names[0]} and by {after.model!r} in "
            f"{names[1]}: the parameters of these models are not compared"
        )
    for name, one, other in ((names[0], before, after), (names[1], after, before)):
        alone = [s for s in QUANTITIES if s in one.parameters and s not in other.parameters]
        if alone:
            notes.append(f"only {name} gives {' '.join(alone)}: not compared")
    return [
        symbol
        for symbol, estimate in before.parameters.items()
        if symbol in after.parameters
        and (symbol in QUANTITIES or before.model == after.model)
        and (estimate.unit == "dB" or min(estimate.value, after.parameters[symbol].value) > 0)
    ]


def _change(
    symbol: str, first: Estimate, second: Estimate, own: tuple[float, float], margin: float
) -> Change:
    difference = _logarithm(second) - _logarithm(first)
    effects = logarithmic_effects(first), logarithmic_effects(second)
    shared = shared_sources(*effects)
    common = sum((effects[1][source] - effects[0][source]) ** 2 for source in shared)
    plain, widened = common, common
    for estimate, effect, clamped in zip((first, second), effects, own, strict=True):
        alone = sum(part**2 for source, part in effect.items() if source not in shared)
        plain += alone + clamped**2
        widened += estimate.widening**2 * alone + clamped**2
    reach = Z95 * math.sqrt(widened)
    low, high = difference - reach, difference + reach
    limit = math.log1p(margin)
    word: Word = "undecided"
    if low > 0 or high < 0:
        word = "changed"
    elif -limit <= low and high <= limit:
        word = "unchanged"
    spread = math.sqrt(widened)
    significance = difference / spread if spread else math.copysign(math.inf, difference)
    return Change(
        parameter=symbol,
        unit=first.unit,
        before=first.value,
        after=second.value,
        change_relative=math.expm1(difference),
        standard_uncertainty=math.exp(difference) * math.sqrt(plain),
        interval_95=(math.expm1(low), math.expm1(high)),
        verdict=word,
        significance=significance if difference else 0.0,
    )


def shared_sources(first: Collection[str], *others: Collection[str]) -> set[str]:
    """Error sources that fits have in common, so that only the difference of effects counts."""
    named = {s for s in first if not s.startswith("random:") and s not in WEATHER}
    return named.intersection(*others)


def _of_the_air(before: DriverFit, after: DriverFit, changes: Sequence[Change]) -> list[str]:
    """Says so where most of the uncertainty of a change is that of the air."""
    led = []
    for change in changes:
        both = [logarithmic_effects(fit.parameters[change.parameter]) for fit in (before, after)]
        air = math.hypot(*(effects.get(source, 0.0) for effects in both for source in WEATHER))
        total = change.standard_uncertainty / (1 + change.change_relative)
        if air**2 > total**2 / 2:
            led.append(change.parameter)
    if not led:
        return []
    return [
        f"{', '.join(led)}: most of the uncertainty is that of the air, which each fit brings by "
        "itself: rooms and weather change between sittings. Temperature and pressure told more "
        "closely with each fit narrow it."
    ]


_DECIBEL = math.log(10) / 10
"""One decibel of power in the natural logarithm."""


def _logarithm(estimate: Estimate) -> float:
    return estimate.value * _DECIBEL if estimate.unit == "dB" else math.log(estimate.value)


def logarithmic_effects(estimate: Estimate) -> dict[str, float]:
    """Source to its effect on the logarithm of the value, for plus one standard uncertainty."""
    scale = _DECIBEL if estimate.unit == "dB" else 1 / estimate.value
    return {source: part * scale for source, part in estimate.contributions.items()}


def _repeated(fit: DriverFit) -> bool:
    """Whether several free-air takes show how far the driver departs from one to the next."""
    return sum(curve.condition == "free-air" for curve in fit.curves) > 1


def assumed_parts(fit: DriverFit) -> list[str]:
    """Parts whose repeatability the fit cannot show."""
    return [part for part in REPEATABILITY if not (_repeated(fit) and part in _SEEN_IN_TAKES)]


def _assumption(names: str, fit: DriverFit) -> str:
    listed = "; ".join(REPEATABILITY[part][1] for part in assumed_parts(fit))
    if _repeated(fit):
        return (
            f"{names}: the free-air takes show their own scatter; assumed besides, as standard "
            f"uncertainties of a driver clamped anew: {listed}"
        )
    return (
        f"{names}: one free-air take cannot show how far another would differ; assumed, as "
        f"standard uncertainties of a driver clamped anew: {listed}. Two or more free-air takes in "
        "one fit, clamped anew, show it better."
    )


def repeatability(symbol: str, fit: DriverFit) -> float:
    """Relative standard uncertainty to add for clamping anew."""
    powers = exponents(symbol, fit.parameters)
    if symbol in OF_LAWS:
        powers = {"Rms": 1.0}  # laws of suspension and former move as the loss they stand for
    elif symbol not in QUANTITIES:
        powers = {"Le": 1.0}  # parameters of the coil model move with the coil, as Le does
    parts = [part for part in assumed_parts(fit) if part in powers]
    return math.sqrt(sum((powers[part] * REPEATABILITY[part][0]) ** 2 for part in parts))
