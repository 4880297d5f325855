"""Limits for the units of a series, derived from good ones.

A limit holds a stated share of good units with a stated confidence (`fit.numerics.robust`). It is
a limit on what this bench measures: the errors that the reference shares (one resistor, one ruler,
what the coil model misses in all of them) spread nothing, and are remembered so that they cancel
when a unit is judged (`fit.series.judge`).
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from fit.driver.from_reported import known as known_model
from fit.numerics.robust import outlier_limit, tolerance_factor
from fit.results.quantities import spoken
from fit.results.result import DECIBEL, from_logarithm
from fit.series.mask import Mask, mask, profile
from fit.series.values import JUDGED, NAMES, Common, Sample, Unit, one_model, quantities, sample
from meas.errors import Finding, Refused

COVERAGE, CONFIDENCE = 0.99, 0.90
FEWEST = 5
"""Below, one bad unit among the good ones decides what good means."""
WIDEST = 2.0
"""Limits more than so many times as wide as those of a population known exactly promise more than
so few units can tell."""
SUSPECT = 0.002
"""Probability of calling one of a clean reference set unlike the rest, for each quantity: 1 % for
the five of `JUDGED`."""

_MOST = 400


@dataclass(frozen=True)
class Limit:
    """Limits of one quantity.

    Attributes:
        unit: SI base unit, or ``dB``.
        centre: Robust mean of the reference, in the unit.
        lower: Lower limit; None where low values never hurt.
        upper: Upper limit; None where high values never hurt.
        spread: Robust standard deviation of the reference, in the logarithm.
        measuring: Part of the spread that comes from measuring, as standard uncertainty.
        common: Errors that the reference shares.
        frequency_hz: Where the quantity is stated (Le), else None.
        changed: Whether somebody replaced the derived limits by others.
    """

    parameter: str
    unit: str
    centre: float
    lower: float | None
    upper: float | None
    spread: float
    measuring: float
    common: Common
    frequency_hz: float | None = None
    judged: bool = True
    changed: bool = False


@dataclass(frozen=True, eq=False)
class SeriesLimits:
    """Limits derived from good units.

    Attributes:
        model: Model by which all are fitted.
        coverage: Share of good units within each limit.
        confidence: Probability that the limits hold that share.
        limits: One for each quantity that the whole reference has.
        mask: Limits of the curves; None where units are not judged by it.
        near: Parameters from which the fit of a unit may start: Re, fs, Qms, Qes and the model's
            own, medians of the reference; empty where these leave the model open.
        findings: Doubts about the reference.
    """

    units: tuple[str, ...]
    model: str
    coverage: float
    confidence: float
    limits: tuple[Limit, ...]
    mask: Mask | None
    near: Mapping[str, float]
    findings: tuple[Finding, ...] = ()


def fewest_units(coverage: float, confidence: float) -> int | None:
    """Number of units needed for such a claim; None beyond several hundreds.

    At least `FEWEST`; and so many that the tolerance factor is at most `WIDEST` times its value
    for a population known exactly.
    """
    low, high = FEWEST, FEWEST
    while not _enough(high, coverage, confidence):
        low, high = high + 1, 2 * high
        if low > _MOST:
            return None
    while low < high:
        middle = (low + high) // 2
        low, high = (low, middle) if _enough(middle, coverage, confidence) else (middle + 1, high)
    return high


def _enough(n: int, coverage: float, confidence: float) -> bool:
    return tolerance_factor(n, coverage, confidence) <= WIDEST * normal_reach(coverage)


def normal_reach(coverage: float) -> float:
    """Half-width that holds a share of a normal population, in standard deviations."""
    from scipy.special import ndtri

    return float(ndtri((1 + coverage) / 2))


def derive(
    units: Sequence[Unit], *, coverage: float = COVERAGE, confidence: float = CONFIDENCE
) -> SeriesLimits:
    """Derive limits from good units, fitted by one model.

    Args:
        units: Name and fit of each, all different units.
        coverage: Share of good units that each limit holds, between 0 and 1.
        confidence: Probability that it does, between 0 and 1.

    Raises:
        Refused: ``too-few-units`` for the claim, with how many are needed; ``mixed-models``.
    """
    _refuse_few(len(units), coverage, confidence)
    model = one_model(sorted(fit.model for _, fit in units))
    factor = tolerance_factor(len(units), coverage, confidence)
    known = [(fit, quantities(fit)) for _, fit in units]
    limits = []
    findings: list[Finding] = []
    for symbol in NAMES:
        if not all(symbol in found for _, found in known):
            continue
        estimates = [found[symbol] for _, found in known]
        if len({e.frequency_hz for e in estimates}) > 1:
            findings.append(
                Finding(
                    "mixed-frequencies",
                    f"{symbol} is stated at different frequencies over the reference: no limits",
                )
            )
            continue
        limit, unlike = _limit(symbol, sample(symbol, units, estimates), factor)
        limits.append(limit)
        findings += unlike if limit.judged else []
    found_mask = mask([profile(fit) for _, fit in units], coverage, confidence)
    return SeriesLimits(
        tuple(name for name, _ in units), model, coverage, confidence, tuple(limits),
        found_mask if found_mask.layers else None, _near(model, units), tuple(findings),
    )  # fmt: skip


def _near(model: str, units: Sequence[Unit]) -> dict[str, float]:
    """Parameters from which the fit of a similar unit may start."""
    state = ("Re", "fs", "Qms", "Qes")
    shared = set.intersection(*(set(fit.parameters) for _, fit in units))
    middle = {
        name: float(np.median([fit.parameters[name].value for _, fit in units])) for name in shared
    }
    try:
        needed = {*state, *known_model(model, middle).symbols}
    except (Refused, KeyError):
        return {}
    return {name: middle[name] for name in sorted(needed)} if needed <= middle.keys() else {}


def _refuse_few(n: int, coverage: float, confidence: float) -> None:
    needed = fewest_units(coverage, confidence)
    if needed is not None and n >= needed:
        return
    claim = f"{100 * coverage:g} % of good units with {100 * confidence:g} % confidence"
    enough = f"{needed} are needed" if needed else f"not even {_MOST} would be enough"
    text = (
        f"limits that hold {claim} cannot be had from {n} {'unit' if n == 1 else 'units'}: "
        f"{enough}. With fewer they would be more than {WIDEST:g} times as wide as they need be, "
        "or hang on one unit"
    )
    if n >= FEWEST:
        text += ". Measure more good units, or claim less: --coverage 95%, --confidence 80%"
    raise Refused.because("too-few-units", text)


def _limit(symbol: str, seen: Sample, factor: float) -> tuple[Limit, list[Finding]]:
    # Good units cannot lie closer together than measuring them again would put them.
    spread = max(seen.spread, seen.measuring, 1e-9)
    unit = seen.estimates[0].unit
    reach = factor * spread
    middle, lower, upper = (
        from_logarithm(size, unit)
        for size in (seen.centre, seen.centre - reach, seen.centre + reach)
    )
    limit = Limit(
        symbol, unit, middle, lower, upper, spread, seen.measuring, seen.common,
        seen.estimates[0].frequency_hz, judged=symbol in JUDGED,
    )  # fmt: skip
    far = outlier_limit(len(seen.values), SUSPECT) * spread
    findings = [
        Finding(
            "unlike-the-rest",
            f"{name}: {spoken(symbol)} lies "
            f"{written_difference(value - seen.centre, unit)} the centre of the reference, "
            f"farther than a good set would put one in {1 / SUSPECT:.0f}. Is this a good unit? "
            "If not, leave it out and derive again",
        )
        for (name, _), value in zip(seen.units, seen.values, strict=True)
        if abs(value - seen.centre) > far
    ]
    return limit, findings


def written_difference(difference: float, unit: str) -> str:
    """Write a difference of logarithms as ``4.2 % above`` or ``0.3 dB below``."""
    return f"{written_size(difference, unit)} {'above' if difference > 0 else 'below'}"


def written_size(difference: float, unit: str) -> str:
    """Write the size of a difference of logarithms as ``4.2 %`` or ``0.3 dB``."""
    if unit == "dB":
        return f"{abs(difference) / DECIBEL:.2g} dB"
    return f"{100 * abs(math.expm1(difference)):.2g} %"
