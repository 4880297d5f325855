"""Errors that one sitting leaves open: from the interval of a recording to that of a driver."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import replace
from typing import Literal

from fit.compare.repeatability import REPEATABILITY, assumed_effects, powers
from fit.results.error_sources import ASSUMED, HELD, variance
from fit.results.result import DECIBEL, DriverFit, Estimate

Held = Literal["clamped", "magnet-down", "hand"]

DEFAULT: Held = "magnet-down"
"""On its magnet on a table, as most drivers are measured where nobody says otherwise."""

MOVING_FRAME: Mapping[Held, tuple[float, str]] = {
    "clamped": (0.002, "frame clamped to something heavy: moves by up to 0.2 % of the cone"),
    "magnet-down": (0.02, "frame on its magnet, not clamped: moves by up to 2 % of the cone"),
    "hand": (0.05, "frame held by hand: moves by up to 5 % of the cone"),
}
"""Limits of the share of the motion that is the frame's, by how a driver is held.

Cone and frame push each other apart: what is inert is the moving mass M in series with that of the
frame Mf, M Mf/(M + Mf) (Newton's third law), so that the moving mass reads too small by M/Mf. Frame
and magnet weigh 15 to 60 times the moving parts (common practice, no source); what carries them
adds some of its mass below its own resonance, and a hand next to none above 10 Hz.
"""


def of_driver(fit: DriverFit, held: Held = DEFAULT, unit: str = "") -> DriverFit:
    """The fit with what its recordings cannot show: the driver mounted anew, its frame moving.

    Errors of mounting are those of `fit.compare.repeatability`, each fit's own. The moving frame is
    one error of a unit held in one way: it cancels between two such fits. What the recordings say
    by themselves stays in `Estimate.of_this_recording`.

    Args:
        held: How the driver was held.
    """
    limit, words = MOVING_FRAME[held]
    source = f"{HELD}{held}:{unit}"
    frame = limit / 3**0.5
    sources = dict(fit.sources)
    parameters = {}
    for symbol, estimate in fit.parameters.items():
        added = assumed_effects(fit, {symbol: 1.0})
        if moved := powers(symbol, fit).get("Mms", 0.0):
            added[source] = -frame * moved
            sources[source] = words
        for name in added:
            if name.startswith(ASSUMED):
                sources[name] = REPEATABILITY[name.removeprefix(ASSUMED)][1] + ", mounted anew"
        parameters[symbol] = _widened(estimate, added)
    return replace(fit, parameters=parameters, sources=sources)


def _widened(estimate: Estimate, added: Mapping[str, float]) -> Estimate:
    """An estimate with further effects on its logarithm; its own widening stays with its own.

    Limits of a Monte Carlo run move outwards by the squares, in the logarithm.
    """
    if not added:
        return estimate
    scale = 1 / DECIBEL if estimate.unit == "dB" else estimate.value
    contributions = {**estimate.contributions, **{s: e * scale for s, e in added.items()}}
    own, more = estimate.standard_uncertainty, scale * math.sqrt(variance(added))
    widening = math.hypot(estimate.widening * own, more) / math.hypot(own, more)
    wide = replace(estimate, contributions=contributions, limits=None, widening=widening)
    if estimate.limits is None:
        return wide
    return replace(wide, limits=_outwards(estimate, more))


def _outwards(estimate: Estimate, more: float) -> tuple[float, float]:
    """Limits with a further standard uncertainty, in the value's unit."""
    beside = replace(estimate, contributions={"": more}, widening=1.0, limits=None)
    ends = []
    for sign, own, other in zip((-1, 1), estimate.interval_95, beside.interval_95, strict=True):
        if estimate.logarithmic:
            far = math.hypot(math.log(own / estimate.value), math.log(other / estimate.value))
            ends.append(estimate.value * math.exp(sign * far))
        else:
            far = math.hypot(own - estimate.value, other - estimate.value)
            ends.append(estimate.value + sign * far)
    return ends[0], ends[1]
