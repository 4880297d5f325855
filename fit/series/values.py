"""Quantities of a unit in a series, and the part of their uncertainty that the others do not share.

Units measured alike share the errors of their bench: the series resistor moves all of them by
the same amount and can neither spread them nor set one apart. The misfit of the coil model is
shared as well, as far as all units show it alike, and so is the motion of a frame: units of one
design, held alike, have frame and cone of the same masses.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from fit.compare.repeatability import assumed_effects
from fit.driver.elements.quantity import Quantity
from fit.numerics.robust import centre_and_spread
from fit.results.error_sources import (
    ASSUMED,
    HELD,
    MODEL,
    REPEATED,
    part_of,
    shared_sources,
    variance,
)
from fit.results.quantities import QUANTITIES
from fit.results.result import DriverFit, Estimate
from meas.curve import FloatArray
from meas.errors import Refused

Unit = tuple[str, DriverFit]
"""Name and fit of a unit."""

CMES = "Cmes"
NAMES: Mapping[str, Quantity] = {
    **QUANTITIES,
    CMES: Quantity("F", "moving mass over Bl squared", 1e-6, "uF"),
}
"""The reported quantities, and one that only a series needs.

Cmes = Qes/(2 pi fs Re) = Mms/Bl^2, the capacitance that the moving mass is at the terminals (R. H.
Small, J. Audio Eng. Soc. 20(5), 1972). Free air alone gives it, and the spread of the
suspensions, the largest of a series, does not touch it.
"""


JUDGED = ("Re", "Le", "fs", "Qms", CMES)
"""Quantities that judge a unit by default: one take in free air gives them all, each part of the
build shows in them, and no two of them are one number in other words."""

REPEATS = "how well a driver repeats"
"""Cause by which an uncertainty stands for the repetition of a measurement."""

_CMES_POWERS = {"Qes": 1.0, "fs": -1.0, "Re": -1.0}


def quantities(fit: DriverFit) -> dict[str, Estimate]:
    """Collect the estimates of all quantities of a series by symbol, Cmes included."""
    known = fit.parameters
    found = {name: _of_design(known[name]) for name in NAMES if name in known}
    if _CMES_POWERS.keys() <= known.keys():
        powers = ((known[symbol], power) for symbol, power in _CMES_POWERS.items())
        found[CMES] = _of_design(Estimate.product(powers, "F", 1 / (2 * math.pi)))
    return found


def _of_design(estimate: Estimate) -> Estimate:
    """The motion of the frame as an error of all units of the design that are held alike."""
    contributions = {
        f"{HELD}{source.removeprefix(HELD).partition(':')[0]}:"
        if source.startswith(HELD)
        else source: part
        for source, part in estimate.contributions.items()
    }
    return replace(estimate, contributions=contributions)


def one_model(models: Iterable[str]) -> str:
    """The model by which all units are fitted.

    Raises:
        Refused: ``mixed-models``: fits by different models are not comparable to the last per cent.
    """
    first, *others = dict.fromkeys(models)
    if others:
        raise Refused.because(
            "mixed-models",
            f"the units are fitted by different models ({', '.join([first, *others])}), whose "
            "parameters differ where units do not",
            next_step=f"Fit all by one: freeair fit TAKE... --model {first} --save FILE, or give "
            "the takes themselves",
        )
    return first


@dataclass(frozen=True)
class Common:
    """Errors of one quantity that the units of a series share, in the logarithm.

    Attributes:
        effects: Error source to its mean effect for plus one standard uncertainty.
        model: Standard uncertainty by the misfit of the coil model.
    """

    effects: Mapping[str, float]
    model: float


def common(estimates: Sequence[Estimate]) -> Common:
    """Find the errors that several estimates of one quantity share; at least one estimate."""
    rows = [e.logarithmic_effects for e in estimates]
    effects = {s: sum(row[s] for row in rows) / len(rows) for s in sorted(shared_sources(*rows))}
    models = sorted(part_of(row, MODEL) for row in rows)
    return Common(effects, models[len(models) // 2])


def own_uncertainty(
    symbol: str, estimate: Estimate, fit: DriverFit, shared: Common
) -> dict[str, float]:
    """Standard uncertainty of one unit beside the others, by cause, in the logarithm.

    Args:
        fit: Fit of the unit, which knows how often it was measured.
        shared: Errors shared with the others.
    """
    effects = estimate.logarithmic_effects
    plain = [
        part
        for source, part in effects.items()
        if source not in shared.effects
        and not source.startswith((MODEL, REPEATED, ASSUMED))  # both are in the last one
    ]
    plain += [effects.get(s, 0.0) - mean for s, mean in shared.effects.items()]
    beyond = max(0.0, part_of(effects, MODEL) ** 2 - shared.model**2)
    found = {
        "noise, and errors that the others do not share": math.hypot(*plain),
        "what the model follows worse than in the others": estimate.widening * math.sqrt(beyond),
        REPEATS: math.hypot(_clamped(symbol, fit), estimate.widening * part_of(effects, REPEATED)),
    }
    return {cause: part for cause, part in found.items() if part > 0}


def _clamped(symbol: str, fit: DriverFit) -> float:
    """Relative standard uncertainty of a driver clamped anew (`fit.compare.repeatability`)."""
    weights = _CMES_POWERS if symbol == CMES else {symbol: 1.0}
    return math.sqrt(variance(assumed_effects(fit, weights)))


@dataclass(frozen=True, eq=False)
class Sample:
    """One quantity of several units, in the logarithm.

    Attributes:
        units: Those that have it.
        estimates: One for each, at one frequency.
        values: Their logarithms, shape (n,).
        centre: Robust mean.
        spread: Robust standard deviation.
        measuring: Standard uncertainty of one unit beside the others, root mean square.
        common: Errors that all share.
    """

    units: Sequence[Unit]
    estimates: Sequence[Estimate]
    values: FloatArray
    centre: float
    spread: float
    measuring: float
    common: Common


def sample(symbol: str, units: Sequence[Unit], estimates: Sequence[Estimate]) -> Sample:
    """Describe one quantity over units that all have it."""
    shared = common(estimates)
    values = np.array([e.logarithm for e in estimates])
    centre, spread = (float(v) for v in centre_and_spread(values))
    own = [
        math.hypot(*own_uncertainty(symbol, estimate, fit, shared).values())
        for estimate, (_, fit) in zip(estimates, units, strict=True)
    ]
    measuring = math.sqrt(sum(u * u for u in own) / len(own))
    return Sample(units, estimates, values, centre, spread, measuring, shared)
