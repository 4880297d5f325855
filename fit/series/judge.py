"""One unit judged by the limits of its series.

The guard band of `fit.results.judge` is the uncertainty of this unit beside the reference: errors
that both share cancel, and repeatability remains above all. A limit that somebody has changed is
one on the true value, against which every error counts.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from fit.results.error_sources import ASSUMED
from fit.results.judge import Word, decide
from fit.results.quantities import spoken
from fit.results.result import Z95, DriverFit, Estimate, from_logarithm, logarithm
from fit.results.shares import shares
from fit.series.limits import Limit, SeriesLimits, written_difference, written_size
from fit.series.mask import WORDS, Departure, Profile, profile
from fit.series.mask import judge as judge_mask
from fit.series.values import (
    CMES,
    NAMES,
    REPEATS,
    Common,
    Unit,
    one_model,
    own_uncertainty,
    quantities,
)
from meas.errors import Finding


@dataclass(frozen=True)
class Judged:
    """One quantity of a unit.

    Attributes:
        value: Value of the unit; None where its takes do not give it.
        interval_95: 95 % interval of the value beside the reference (of the true value where the
            limit was changed).
        verdict: ``inside``, ``outside`` or ``undecided``.
        deviation: Deviation from the centre, in the logarithm.
        beyond: Distance past the limit, in the logarithm; 0 within it.
    """

    limit: Limit
    value: float | None
    interval_95: tuple[float, float] | None
    verdict: Word
    deviation: float
    beyond: float
    text: str


@dataclass(frozen=True)
class UnitVerdict:
    """A unit against its series.

    Attributes:
        verdict: ``outside`` when anything is, else ``undecided`` when anything is.
        departures: One for each layer of the mask.
        findings: What is outside or undecided, with what it may mean, the worst first.
    """

    verdict: Word
    judged: tuple[Judged, ...]
    departures: tuple[Departure, ...]
    findings: tuple[Finding, ...]


MEANINGS: Mapping[str, tuple[str, str]] = {
    "Re": (
        "less or thicker wire, turns missing or shorted",
        "more or thinner wire, a bad joint, or a coil still warm",
    ),
    "Le": (
        "turns missing or shorted, or a coil that rests farther out of the gap",
        "more turns, a shorting ring missing, or a coil that rests deeper",
    ),
    "fs": (
        "a softer suspension, or heavier moving parts",
        "a stiffer suspension, or lighter moving parts",
    ),
    "Qms": (
        "more mechanical loss: glue on the surround, a seal that leaks, a coil that rubs, another "
        "former",
        "less mechanical loss: another suspension or former, a vent left open",
    ),
    CMES: (
        "lighter moving parts, or a stronger motor by half as much in Bl",
        "heavier moving parts (glue), or a motor weaker by half as much in Bl (magnet, gap, turns)",
    ),
    "Mms": ("glue or a part missing", "too much glue, or a heavier cone"),
    "Bl": (
        "a weak magnet, a wider gap, turns missing, or a coil off its place",
        "more turns, or a stronger magnet",
    ),
    "sensitivity_2v83": (
        "a weaker motor, heavier moving parts or more coil resistance",
        "a stronger motor, lighter moving parts or less coil resistance",
    ),
}
"""Possible meanings of a low and of a high value (common practice, no source)."""

_BEYOND = (
    "the parameters do not tell it: a loose joint or dust cap, a leak, a rub, a lead that touches, "
    "or a take that was disturbed. Take it again before you look for it"
)
_NO_FIT = (
    "something gross, since not even a fit was possible: the wrong unit, an open or shorted coil, "
    "a resonance that is not there"
)


def judge_unit(fit: DriverFit, limits: SeriesLimits) -> UnitVerdict:
    """Judge a fitted unit.

    Args:
        fit: Fit of the unit by the model of the limits.
        limits: Limits from `derive`, perhaps changed or some removed.

    Raises:
        Refused: ``mixed-models`` if the unit is fitted by another model.
    """
    one_model([limits.model, fit.model])
    known = quantities(fit)
    judged = tuple(
        _judged(limit, known.get(limit.parameter), fit) for limit in limits.limits if limit.judged
    )
    departures = () if limits.mask is None else judge_mask(limits.mask, profile(fit))
    return _verdict(judged, departures)


def reference_units(units: Sequence[Unit], limits: SeriesLimits) -> tuple[Finding, ...]:
    """Find units of the reference that its own limits would not call inside.

    Args:
        units: Name and fit of each, as given to `fit.series.limits.derive`.
    """
    found = []
    for name, fit in units:
        verdict = judge_unit(fit, limits)
        if verdict.verdict != "inside":
            named = (spoken(j.limit.parameter) for j in _ranked(verdict.judged))
            layers = (d.layer for d in verdict.departures if d.verdict != "inside")
            causes = ", ".join((*named, *layers))
            found.append(
                Finding(
                    "reference-not-inside",
                    f"{name} would itself come out {verdict.verdict} by {causes}. It lies far out "
                    "for a good unit, and the limits rest on the others",
                    next_step="Look at it again",
                )
            )
    return tuple(found)


def judge_curve(unit: Profile, limits: SeriesLimits) -> UnitVerdict | None:
    """Judge a unit that could not be fitted, by its bare curve; only ``outside`` is possible.

    Returns:
        None where its curve lies within what good units show: then nothing is known.
    """
    departures = () if limits.mask is None else judge_mask(limits.mask, unit)
    found = tuple(d for d in departures if d.verdict == "outside")
    return _verdict((), found) if found else None


def _verdict(judged: tuple[Judged, ...], departures: tuple[Departure, ...]) -> UnitVerdict:
    words = {item.verdict for item in judged} | {item.verdict for item in departures}
    word: Word = "inside" if words == {"inside"} else "undecided"
    if "outside" in words:
        word = "outside"
    findings = [Finding(f"{j.verdict}-{j.limit.parameter}", j.text) for j in _ranked(judged)]
    findings += [
        Finding(f"{d.verdict}-{d.layer}", curve_text(d))
        for d in departures
        if d.verdict != "inside"
    ]
    return UnitVerdict(word, judged, departures, tuple(findings))


def _ranked(judged: tuple[Judged, ...]) -> list[Judged]:
    """Quantities that are not inside, those outside first, each kind from the farthest on."""
    found = (j for j in judged if j.verdict != "inside")
    return sorted(found, key=lambda j: (j.verdict != "outside", -j.beyond / j.limit.spread))


def _judged(limit: Limit, estimate: Estimate | None, fit: DriverFit) -> Judged:
    quantity = NAMES[limit.parameter]
    name = spoken(limit.parameter)
    if estimate is None or estimate.frequency_hz != limit.frequency_hz:
        text = (
            f"{name} is not known: the takes cannot give it. Measure what it needs, or take its "
            "line out of the limits"
        )
        return Judged(limit, None, None, "undecided", 0.0, 0.0, text)
    shared = Common({}, 0.0) if limit.changed else limit.common
    causes = own_uncertainty(limit.parameter, estimate, fit, shared)
    if limit.changed:
        causes = _every_error(estimate, causes)
    reach = Z95 * math.hypot(*causes.values())
    at = estimate.logarithm
    low = -math.inf if limit.lower is None else logarithm(limit.lower, limit.unit)
    high = math.inf if limit.upper is None else logarithm(limit.upper, limit.unit)
    word = decide((at - reach, at + reach), low, high)
    if word == "undecided" and not limit.changed:
        worse = Z95 * math.sqrt(max(0.0, (reach / Z95) ** 2 - limit.measuring**2))
        if decide((at - worse, at + worse), low, high) == "inside":
            word = "inside"
    deviation = at - logarithm(limit.centre, limit.unit)
    beyond = max(at - high, low - at, 0.0)
    ends = (from_logarithm(at - reach, limit.unit), from_logarithm(at + reach, limit.unit))
    text = (
        f"{name} = {quantity.text(estimate.value, 4)} (95 %: {quantity.text(ends[0], 4)} to "
        f"{quantity.text(ends[1], 4)}) lies {written_difference(deviation, limit.unit)} "
        "the centre of the reference"
    )
    if word == "outside":
        text += (
            f" and {written_size(beyond, limit.unit)} beyond the limit {_nearest(limit, at > high)}"
        )
    if word == "undecided":
        near = _nearest(limit, abs(high - at) < abs(at - low))
        past = "past the limit" if at < low or at > high else "short of the limit"
        main = shares(Estimate(1.0, "1", causes), {})
        text += f", {past} {near} by less than can be told; what limits it most: {main[0][0]}. "
        text += "More takes of it, clamped anew, tell more"
    meaning = MEANINGS.get(limit.parameter)
    if word != "inside" and meaning:
        text += f". It may mean {meaning[deviation > 0]}"
    return Judged(limit, estimate.value, ends, word, deviation, beyond, text)


def _every_error(estimate: Estimate, causes: Mapping[str, float]) -> dict[str, float]:
    """All errors of the bench, and repeatability: for a limit on the true value."""
    repeats = {REPEATS: causes[REPEATS]} if REPEATS in causes else {}
    effects = estimate.logarithmic_effects
    whole = math.hypot(*(part for s, part in effects.items() if not s.startswith(ASSUMED)))
    return {"errors of the bench": estimate.widening * whole, **repeats}


def _nearest(limit: Limit, upper: bool) -> str:
    value = limit.upper if upper else limit.lower
    return "" if value is None else NAMES[limit.parameter].text(value, 4)


def curve_text(departure: Departure) -> str:
    """Say how a curve departs from the mask."""
    side = "above" if departure.size > 0 else "below"
    within = f"good units stay within {_amount(departure.layer, departure.limit)}"
    text = (
        f"{WORDS[departure.layer]} lies {_amount(departure.layer, departure.size)} {side} that of "
        f"the reference at {departure.frequency_hz:.3g} Hz"
    )
    if departure.verdict == "undecided":
        return f"{text}; {within}, and noise hides on which side this one lies"
    bands = departure.outside_hz
    if len(bands) > 1:
        text += f" (and in {len(bands)} bands from {bands[0]:.3g} to {bands[-1]:.3g} Hz)"
    meaning = _NO_FIT if departure.layer == "magnitude" else _BEYOND
    return f"{text}, where {within}: {meaning}"


def _amount(layer: str, size: float) -> str:
    if layer == "phase":
        return f"{math.degrees(abs(size)):.2g} degrees"
    return f"{100 * math.expm1(abs(size)):.2g} %"
