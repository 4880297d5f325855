"""Mechanical loss against frequency, from takes with different masses on the cone.

A conductor that moves in the gap (a closed metal former is a shorted turn) and a viscous film
brake with a force in proportion to velocity: Rms is the same at every resonance. The loss of a
suspension's rubber, foam and cloth is in proportion to displacement: Rms falls with frequency,
about as 1/f (structural damping, loss factor constant; common practice, no source).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from fit.compare.repeatability import REPEATABILITY
from fit.results.result import Z95, FittedCurve

_SPAN = 0.12
"""Least spread of the resonances (in ln f) that shows the law of the loss."""
_COIL = 0.05
"""Relative standard uncertainty of the blocked coil's resistance below the peak."""


@dataclass(frozen=True)
class LossLaw:
    """Rms as a power of frequency.

    Attributes:
        exponent: p in Rms ~ f^-p: 0 for a brake, 1 for the loss of a suspension.
        reach_95: Half-width of its 95 % interval.
        low_hz: Lowest resonance of the takes [Hz].
        high_hz: Highest resonance of the takes [Hz].
    """

    exponent: float
    reach_95: float
    low_hz: float
    high_hz: float

    @property
    def brakes(self) -> bool:
        """Tell whether it is surely nearer to a brake than to a suspension."""
        return self.exponent + self.reach_95 < 0.5

    @property
    def yields(self) -> bool:
        """Tell whether it is surely nearer to a suspension than to a brake."""
        return self.exponent - self.reach_95 > 0.5


def loss_law(curves: Sequence[FittedCurve]) -> LossLaw | None:
    """Fit the power law of the loss; None where the resonances of the takes lie too close together.

    The motional impedance of a take is Bl^2/(Rms + j ...), so Re(1/Zmot) = Rms/Bl^2 at its
    resonance. Takes on a box are left out: they have its loss too.
    """
    takes = (_loss(curve) for curve in curves if curve.condition != "test-box")
    rows = [row for row in takes if row is not None]
    if len(rows) < 2:
        return None
    x = np.array([math.log(row[0]) for row in rows])
    if np.ptp(x) < _SPAN:
        return None
    y = np.array([math.log(row[1]) for row in rows])
    weight = np.array([1 / row[2] ** 2 for row in rows])
    middle = np.average(x, weights=weight)
    strength = float(np.sum(weight * (x - middle) ** 2))
    slope = float(np.sum(weight * (x - middle) * y)) / strength
    return LossLaw(
        -slope, Z95 / math.sqrt(strength), float(np.exp(x.min())), float(np.exp(x.max()))
    )


def _loss(curve: FittedCurve) -> tuple[float, float, float] | None:
    """Resonance [Hz], Rms/Bl^2 [1/ohm] there, and the relative standard uncertainty of the latter.

    None where too few points make the peak.

    The height of the peak is read off the measured curve itself, by a parabola in ln f: a model
    with one law of loss for all frequencies would pull it towards that law. Of the model only the
    blocked coil below the peak is taken, as good as `_COIL`.
    """
    blocked = curve.model_ohm - curve.motional_ohm
    if np.iscomplexobj(curve.measured_ohm):
        motion = np.asarray(np.real(curve.measured_ohm - blocked))
    else:
        motion = np.asarray(
            np.abs(curve.measured_ohm) - np.real(blocked)
        )  # both are real at the resonance
    main = int(np.argmax(np.abs(curve.motional_ohm)))
    window = np.abs(np.log(curve.frequency_hz / curve.frequency_hz[main])) < 0.5
    top = int(np.argmax(np.where(window, motion, -np.inf)))
    near = window & (motion > 0.85 * motion[top])
    x = np.log(curve.frequency_hz / curve.frequency_hz[top])
    first, last = max(top - 1, 0), min(top + 2, x.size)
    near[first:last] = True
    if np.count_nonzero(near) < 3 or np.any(motion[near] < 0.3 * motion[top]):
        return None
    a, b, c = np.polyfit(x[near], 1 / motion[near], 2)
    lowest = float(np.clip(-b / (2 * a), x[first], x[last - 1])) if a > 0 else 0.0
    loss = float(a * lowest**2 + b * lowest + c)
    if loss <= 0:
        return None
    coil = _COIL * float(np.real(blocked[top])) * loss
    resonance = float(curve.frequency_hz[top] * math.exp(lowest))
    return resonance, loss, math.hypot(coil, REPEATABILITY["Rms"][0])
