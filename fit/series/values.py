"""What is looked at in a unit of a series, and what of its uncertainty the others do not share.

Units measured alike share the errors of their bench: the series resistor moves all of them by
the same amount and can neither spread them nor part one from the rest. What the coil model does not
follow is shared as well, as far as all units are missed alike.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from fit.compare.changes import REPEATABILITY, assumed_parts, logarithmic_effects, shared_sources
from fit.results.quantities import QUANTITIES, Quantity
from fit.results.result import DriverFit, Estimate
from fit.results.scaling import exponents

CMES = "Cmes"
NAMES: Mapping[str, Quantity] = {
    **QUANTITIES,
    CMES: Quantity("F", "moving mass over Bl squared", 1e-6, "uF"),
}
"""The reported quantities, and one that only a series needs.

Cmes = Qes/(2 pi fs Re) = Mms/Bl^2, the capacitance that the moving mass is at the terminals (R. H.
Small, J. Audio Eng. Soc. 20(5), 1972). Free air alone tells it, and the spread of the
suspensions, the largest of a series, does not touch it.
"""

JUDGED = ("Re", "Le", "fs", "Qms", CMES)
"""What a unit is judged by unless somebody says otherwise: one take in free air tells all of it,
each part of the build shows in it, and no two of these are one number in other words."""

_MODEL = "random:model"
_REPEATED = "random:repeatability"
DECIBEL = math.log(10) / 10
"""One decibel of power in the natural logarithm."""


def quantities(fit: DriverFit) -> dict[str, Estimate]:
    """Symbol to estimate of everything a series may look at, Cmes included."""
    known = fit.parameters
    found = {name: known[name] for name in NAMES if name in known}
    if {"Qes", "fs", "Re"} <= known.keys():
        found[CMES] = _cmes(known)
    return found


def _cmes(known: Mapping[str, Estimate]) -> Estimate:
    value = known["Qes"].value / (2 * math.pi * known["fs"].value * known["Re"].value)
    effects: dict[str, float] = {}
    for name, power in (("Qes", 1.0), ("fs", -1.0), ("Re", -1.0)):
        for source, effect in logarithmic_effects(known[name]).items():
            effects[source] = effects.get(source, 0.0) + power * value * effect
    widening = max(known[name].widening for name in ("Qes", "fs", "Re"))
    return Estimate(value, "F", effects, widening=widening)


def size(estimate: Estimate) -> float:
    """The value where differences are told: its logarithm; of decibels, that of their power."""
    return size_of(estimate.value, estimate.unit)


def size_of(value: float, unit: str) -> float:
    """The same of a bare value in its unit."""
    return value * DECIBEL if unit == "dB" else math.log(value)


def back(size: float, unit: str) -> float:
    """The value whose `size` is given."""
    return size / DECIBEL if unit == "dB" else math.exp(size)


@dataclass(frozen=True)
class Common:
    """What the units of a series share of the error of one quantity, in the logarithm.

    Attributes:
        effects: Error source to its mean effect for plus one standard uncertainty.
        model: Standard uncertainty by what the coil model does not follow.
    """

    effects: Mapping[str, float]
    model: float


def common(estimates: Sequence[Estimate]) -> Common:
    """What all of several estimates of one quantity share; at least one estimate."""
    rows = [logarithmic_effects(e) for e in estimates]
    shared = shared_sources(*rows)
    effects = {s: sum(row[s] for row in rows) / len(rows) for s in sorted(shared)}
    models = sorted(_group(row, _MODEL) for row in rows)
    return Common(effects, models[len(models) // 2])


def apart(symbol: str, estimate: Estimate, fit: DriverFit, shared: Common) -> dict[str, float]:
    """What may move one unit beside the others: cause to standard uncertainty, in the logarithm.

    Args:
        symbol: The quantity.
        estimate: Of the unit.
        fit: The unit's, which knows how often it was measured.
        shared: With the others.
    """
    effects = logarithmic_effects(estimate)
    plain = [
        part
        for source, part in effects.items()
        if source not in shared.effects and not source.startswith((_MODEL, _REPEATED))
    ]
    plain += [effects.get(s, 0.0) - mean for s, mean in shared.effects.items()]
    beyond = max(0.0, _group(effects, _MODEL) ** 2 - shared.model**2)
    found = {
        "noise, and errors that the others do not share": math.hypot(*plain),
        "what the model follows worse than in the others": estimate.widening * math.sqrt(beyond),
        "how well a driver repeats": math.hypot(
            _clamping(symbol, fit), estimate.widening * _group(effects, _REPEATED)
        ),
    }
    return {cause: part for cause, part in found.items() if part > 0}


def _group(effects: Mapping[str, float], prefix: str) -> float:
    return math.hypot(*(part for source, part in effects.items() if source.startswith(prefix)))


def _clamping(symbol: str, fit: DriverFit) -> float:
    """Relative standard uncertainty of a driver clamped anew, as in `fit.compare.changes`."""
    powers = {"Mms": 1.0, "Bl": -2.0} if symbol == CMES else exponents(symbol, fit.parameters)
    return math.hypot(
        *(powers[part] * REPEATABILITY[part][0] for part in assumed_parts(fit) if part in powers)
    )
