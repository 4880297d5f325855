"""Difference of two inputs that nobody compared, as the voice coil tells it."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np

from meas.bench.rig import Rig, Wiring
from meas.correction.divider import from_ratio
from meas.correction.input_difference import InputDifference
from meas.curve import ComplexArray, FloatArray
from meas.passivity.nonnegative import partly_nonnegative
from meas.validity.of_resonance import parts, poles

_FLOOR = 1e-3
"""Relative misfit of one part of Z that counts as one."""
_NO_COIL = 14.0
"""Misfit from which on nothing is told: a box, a wrong wiring."""
_OF_MISFIT = 0.05
"""Standard uncertainty of the delay by what the circuit misses, re that of the rig: holds 300
curves of drivers in boxes or with loose parts, which have more resonances than one."""
_OF_PART = 2.0
"""Widening of the delay told by a part (campaign of parts, seed 7)."""
_REPEATS = 20.0
"""Points over which what the circuit misses repeats itself."""
_LEAST = 0.02
"""Standard uncertainty of the delay at best [samples]."""
_CORNERS = 16  # of the coil's sections, from the low end of the band to 20 times its high end
_FEWEST, _MOST = 40, 150  # points
_WORTH = 0.8  # uncertainty found, re that of the rig, from which on nothing is gained
_SHOWN_GAIN = 0.5  # the same of a gain, which half of what is told of it would move
_SHOWN = 2.0  # uncertainties from which on a difference is no chance
_LEAST_SPAN = 4.0  # highest over lowest frequency
_FROM = 0.6  # of the resonance, from where the curve is looked at
_STARTS, _POLISHED, _STEPS = 23, 3, 3
_BEYOND = 1.1  # how far past the rig's limits is looked, re them
_FOUND = 1e-3  # step at which the search ends, re one standard uncertainty of the rig
_STEP = 1e-5


@dataclass(frozen=True, eq=False)
class _Bench:
    """A ratio with what is known of it; ``limits`` are one standard uncertainty each."""

    frequency_hz: FloatArray
    ratio: ComplexArray
    variance: FloatArray
    wiring: Wiring
    rate: int
    limits: tuple[float, float]
    resonance: tuple[float, float] | None = None
    part: bool = False

    def curve(self, delay: float, gain: float) -> tuple[ComplexArray, FloatArray]:
        turned = InputDifference(delay, 0.0, gain).taken_out(
            self.frequency_hz, self.ratio, self.rate
        )
        return from_ratio(turned, self.variance, self.wiring)

    def from_resonance_on(self, resonance: tuple[float, float] | None) -> _Bench:
        """The points from below the resonance on, no more of them than are needed."""
        low = 0.0 if resonance is None else _FROM * resonance[0]
        kept = np.flatnonzero(self.frequency_hz >= low)
        if kept.size > _MOST:
            kept = kept[np.round(np.linspace(0, kept.size - 1, _MOST)).astype(int)]
        return replace(
            self,
            frequency_hz=self.frequency_hz[kept],
            ratio=self.ratio[kept],
            variance=self.variance[kept],
            resonance=resonance,
        )

    @cached_property
    def circuit(self) -> tuple[ComplexArray, ComplexArray]:
        """Columns of what may have either sign, (n, k), and of what may not be negative, (n, m)."""
        f = self.frequency_hz
        s = 1j * f[:, None]
        corners = np.geomspace(max(f[0], 50.0), 20 * f[-1], _CORNERS)
        positive = np.concatenate([s**0, s / f[-1], s / (s + corners)], axis=1)
        if self.part:
            soaking = corners / (s + corners)
            positive = np.concatenate([f[0] / s, soaking, positive], axis=1)
        if self.resonance is None:
            return np.zeros((f.size, 0), complex), positive
        x = s / self.resonance[0]
        poles = x * x + x / self.resonance[1] + 1
        return np.concatenate([x / poles, 1 / poles, x / poles**2, 1 / poles**2], axis=1), positive


@dataclass(frozen=True)
class _Tried:
    cost: float
    delay: float
    gain: float


def difference_shown_by_coil(
    frequency_hz: FloatArray,
    ratio: ComplexArray,
    variance: FloatArray,
    rig: Rig,
    rate: int,
    *,
    part: bool = False,
) -> InputDifference | None:
    """Delay and gain at which the curve above the resonance is that of a coil, if it tells.

    A voice coil with its eddy currents is a network of resistances and inductances, whatever its
    shape: its impedance is R + sL + sum of R_k s/(s + p_k) with nothing negative in it (R. M.
    Foster's form of a network of two kinds of parts, Bell Syst. Tech. J. 3, 1924, 259; W. Cauer,
    Arch. Elektrotech. 17, 1926, 355). A delay t beside a series resistor R is a capacitance t/R
    parallel to the coil where |Z| >> R, and turns the phase of all of it where |Z| << R: neither
    is in such a network. What the cone adds is a pair of poles at the resonance with any
    numerator, to second order: a creeping suspension and a rough guess of the poles do no harm.

    All is linear but delay and gain. The delay is scanned, the gain follows by Gauss-Newton steps,
    both with the limits of the rig as prior.

    Args:
        frequency_hz: Increasing [Hz], shape (n,).
        ratio: Driver input over source input, shape (n,).
        variance: Variance of each part of it, shape (n,).
        rate: Sample rate in which the rig's delay counts [Hz].
        part: Whether a passive part was measured: no cone, but a capacitance in series.

    Returns:
        None where the band is too short to tell, or the curve is no coil's, or tells less than
        the rig states anyway.
    """
    assumed = rig.assumptions
    limits = (assumed.mismatch_delay_samples, assumed.mismatch_percent / 100)
    if min(limits) <= 0:
        return None
    spreads = (limits[0] / np.sqrt(3), limits[1] / np.sqrt(3))
    whole = _Bench(frequency_hz, ratio, variance, rig.wiring, rate, spreads, part=part)
    best, bench = None, whole
    for _ in range(2):  # the delay bends the resonance by which it was found
        bench = whole.from_resonance_on(None if part else _resonance(whole, best))
        f = bench.frequency_hz
        if f.size < _FEWEST or f[-1] < _LEAST_SPAN * f[0]:
            return None
        best = _best(bench, best)
    assert best is not None
    uncertainty, of_gain = _uncertainties(bench, best)
    delay, gain = (
        float(np.clip(v, -k, k)) for v, k in zip((best.delay, best.gain), limits, strict=True)
    )
    if np.isinf(uncertainty) or (uncertainty > _WORTH * spreads[0] and not part):
        return None
    left = uncertainty
    if part:
        # A delay is also a capacitance across a part or an inductance in series with it; what the
        # circuit makes of a lossy one errs by up to twice what is told.
        left = min(_OF_PART * uncertainty, (limits[0] + abs(delay)) / np.sqrt(3))
    # Most cards sample both inputs at once: what may be nothing is taken for nothing; of a part,
    # whose value hangs on it, only what moves none.
    if abs(delay) < (_LEAST if part else _SHOWN * uncertainty):
        delay, left = 0.0, np.hypot(delay, left)
    shown = of_gain < _SHOWN_GAIN * spreads[1] and abs(gain) > _SHOWN * of_gain
    return InputDifference(delay, float(left), gain if shown or part else 0.0)


def _uncertainties(bench: _Bench, best: _Tried) -> tuple[float, float]:
    """Uncertainties of delay and gain, by the growth of the misfit to both sides and its size.

    Infinite for what is no coil.
    """
    misfit = np.sqrt(best.cost / (2 * bench.frequency_hz.size))
    if misfit > _NO_COIL:
        return float("inf"), float("inf")
    step, step_gain = (0.02 * limit for limit in bench.limits)
    beside = [
        [_settled(bench, best.delay + side * step).cost for side in (-1, 1)],
        [_try(bench, best.delay, best.gain + side * step_gain)[0].cost for side in (-1, 1)],
    ]
    spread = [
        max(misfit, 1.0) * np.sqrt(2 * _REPEATS / max((sum(two) - 2 * best.cost), 1e-9)) * width
        for two, width in zip(beside, (step, step_gain), strict=True)
    ]
    delay = np.linalg.norm([_LEAST, spread[0], _OF_MISFIT * misfit * bench.limits[0]])
    return float(delay), float(spread[1])


def _resonance(bench: _Bench, at: _Tried | None) -> tuple[float, float] | None:
    """Poles of the first resonance in the bass, at the delay and gain of a trial."""
    return poles(bench.frequency_hz, *bench.curve(*((at.delay, at.gain) if at else (0.0, 0.0))))


def _best(bench: _Bench, around: _Tried | None) -> _Tried:
    """The delay of least misfit: a scan of all that the rig allows, then sections of three."""
    limit = np.sqrt(3) * bench.limits[0]
    starts, step = [] if around is None else [around.delay], 0.1 * limit
    if around is None:
        delays = np.linspace(-_BEYOND * limit, _BEYOND * limit, _STARTS)
        scanned = sorted((_settled(bench, float(t)) for t in delays), key=lambda one: one.cost)
        starts = [one.delay for one in scanned[:_POLISHED]]
    return min((_narrowed(bench, one, step) for one in starts), key=lambda one: one.cost)


def _narrowed(bench: _Bench, delay: float, step: float) -> _Tried:
    best = _settled(bench, delay)
    while step > _FOUND * bench.limits[0]:
        beside = [_settled(bench, best.delay + side * step) for side in (-1, 1)]
        nearest = min(beside, key=lambda one: one.cost)
        if nearest.cost < best.cost:
            best = nearest
        else:
            step /= 3
    return best


def _settled(bench: _Bench, delay: float) -> _Tried:
    """The gain of least misfit at a delay."""
    limit = _BEYOND * np.sqrt(3) * bench.limits[1]
    best, wanted = _try(bench, delay, 0.0)
    if bench.part:  # a capacitor leaves nothing but the gain at the low end of the hot side
        at_low_end = _try(bench, delay, float(np.clip(abs(bench.ratio[0]) - 1, -limit, limit)))
        best, wanted = min((best, wanted), at_low_end, key=lambda one: one[0].cost)
    for _ in range(_STEPS):
        tried, next_wanted = _try(bench, delay, float(np.clip(wanted, -limit, limit)))
        if tried.cost >= best.cost:
            break
        best, wanted = tried, next_wanted
    return best


def _try(bench: _Bench, delay: float, gain: float) -> tuple[_Tried, float]:
    """The best coil at a delay and a gain, and the gain at which a better one may be."""
    z, uncertainty = bench.curve(delay, gain)
    by_gain = (bench.curve(delay, gain + _STEP)[0] - z) / _STEP
    free, positive = bench.circuit
    columns = np.concatenate([-by_gain[:, None] * bench.limits[1], free, positive], axis=1)
    size = np.abs(z)
    weight = 1 / np.hypot(_FLOOR * size, np.maximum(uncertainty, 1e-9 * size))
    prior = np.eye(1, columns.shape[1])
    matrix = np.concatenate([parts(columns, weight), prior])
    target = np.append(parts(z, weight), -gain / bench.limits[1])
    scale = np.sqrt(np.sum(matrix**2, axis=0)) + 1e-300
    found = partly_nonnegative(matrix / scale, target, 1 + free.shape[1])
    left = matrix / scale @ found - target
    cost = float(left @ left) + (delay / bench.limits[0]) ** 2
    return _Tried(cost, delay, gain), gain + float(found[0] / scale[0] * bench.limits[1])
