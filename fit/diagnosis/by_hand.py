"""The classical evaluation by hand, as an independent check of a fit.

From three frequencies on |Z|: the peak and the two where |Z| = Re sqrt(r0), with r0 = Zmax/Re.
R. H. Small, Direct-radiator loudspeaker system analysis, J. Audio Eng. Soc. 20(5), 1972, appendix.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from fit.numerics.peaks import peaks
from fit.results.result import DriverFit, FittedCurve
from meas.curve import FloatArray
from meas.errors import Finding, Refused

ALLOWED_DIFFERENCE = 0.03
"""Relative difference between the hand values on the data and on the model that is still called
agreement: three points of a real curve miss a smooth model by this much (common practice, no
source)."""

NOISE_REACH = 4.0
"""How far noise of the single points moves hand values, relative to itself, at most
(tests/fitting/uncertainty/test_threepoint.py)."""

FEWEST_POINTS = 8
"""Points needed from f1 to f2: with them the interpolation errs by less than 0.5 %
(tests/fitting/uncertainty/test_threepoint.py)."""


@dataclass(frozen=True)
class HandValues:
    """Parameters by three points of |Z|.

    Attributes:
        fs: Frequency of the peak [Hz].
        r0: Height of the peak over Re.
        f1: Lower frequency at |Z| = Re sqrt(r0) [Hz].
        f2: Upper frequency at that magnitude [Hz].
        Qms: fs sqrt(r0)/(f2 - f1).
        Qes: Qms/(r0 - 1).
        Qts: Qms Qes/(Qms + Qes) = Qms/r0.
    """

    fs: float
    r0: float
    f1: float
    f2: float
    Qms: float
    Qes: float
    Qts: float


def hand_values(
    frequency_hz: FloatArray, magnitude_ohm: FloatArray, Re: float, near_hz: float | None = None
) -> HandValues:
    """Evaluate a free-air curve by three points.

    Args:
        frequency_hz: Increasing, shape (n,) [Hz].
        magnitude_ohm: |Z|, shape (n,) [ohm].
        Re: Direct-current coil resistance [ohm].
        near_hz: Frequency near which to search for the peak, within a factor of 1.5; by default
            the most prominent peak of the curve counts.

    Raises:
        Refused: Code ``hand-check-impossible`` when the curve shows no peak above Re, or does not
            fall to the level of the two side frequencies within the band.
    """
    if frequency_hz.size < 5:
        raise _impossible("fewer than five points")
    x, y = np.log(frequency_hz), np.log(magnitude_ohm)
    peak = _peak_index(x, y, near_hz)
    x0, y0 = _top(x, y, peak)
    r0 = math.exp(y0) / Re
    if r0 <= 1.05:
        raise _impossible("the peak does not stand above the coil resistance")
    crossings = _crossings(x, y - math.log(Re * math.sqrt(r0)))
    below, above = crossings[crossings < x0], crossings[crossings > x0]
    if below.size == 0 or above.size == 0:
        raise _impossible("|Z| does not fall to Re sqrt(r0) on both sides of the peak")
    fs, f1, f2 = math.exp(x0), math.exp(below[-1]), math.exp(above[0])
    if np.count_nonzero((frequency_hz >= f1) & (frequency_hz <= f2)) < FEWEST_POINTS:
        raise _impossible(f"fewer than {FEWEST_POINTS} points between the two side frequencies")
    Qms = fs * math.sqrt(r0) / (f2 - f1)
    return HandValues(fs, r0, f1, f2, Qms, Qms / (r0 - 1), Qms / r0)


def cross_check(fit: DriverFit) -> Finding | None:
    """Warn when the hand evaluation contradicts the fit.

    Evaluates the three points of each free-air curve on the data and on the model. The coil biases
    both alike, so that its bias cancels; what remains must be below 3 % plus the fit's own
    95 % reach plus what the noise of the points does. The parameters must agree with the model's
    three points but for what the coil impedance explains; a coil model that has eaten part of the
    motion fails here.

    Args:
        fit: A fit that has Re, fs, Qms and Qes.

    Returns:
        A warning ``hand-check-disagrees``; None in agreement or where three points cannot be had.
    """
    if not {"Re", "fs", "Qms", "Qes"} <= fit.parameters.keys():
        return None
    for curve in fit.curves:
        if curve.condition == "free-air" and (said := _disagreement(fit, curve)):
            return Finding("hand-check-disagrees", f"{curve.source}: {said}")
    return None


def _disagreement(fit: DriverFit, curve: FittedCurve) -> str:
    Re, fs = fit.parameters["Re"].value, fit.parameters["fs"].value
    f = curve.frequency_hz
    try:
        model = hand_values(f, np.abs(curve.model_ohm), Re, fs)
    except Refused:
        return ""  # heavy damping, few points, a narrow band: the truth would not yield them either
    try:
        data = hand_values(f, np.abs(curve.measured_ohm), Re, fs)
    except Refused as refusal:
        return f"the model shows a resonance that the curve does not: {refusal.reasons[0].text}"
    explained, noise = _by_coil(curve, Re, model), _noise(curve, model)
    # A fit of several free-air takes states their mean; each of them departs by more.
    takes = sum(other.condition == "free-air" for other in fit.curves)
    for symbol in ("fs", "Qms", "Qes"):
        estimate = fit.parameters[symbol]
        low, high = estimate.interval_95
        own = max(high / estimate.value - 1, 1 - low / estimate.value) * math.sqrt(takes)
        allowed = ALLOWED_DIFFERENCE + own + NOISE_REACH * noise
        by_hand, by_model = getattr(data, symbol), getattr(model, symbol)
        if abs(by_hand / by_model - 1) > allowed:
            return (
                f"{symbol} by three points on the curve is {by_hand:.4g}, on the fitted model "
                f"{by_model:.4g}: the model misses the resonance. Look at the residual there; was "
                "the driver rattling, or driven beyond its linear range?"
            )
        if abs(by_model / estimate.value - 1) > allowed + explained:
            return (
                f"{symbol} by three points is {by_model:.4g}, by the fit {estimate.value:.4g}, and "
                f"the coil explains only {100 * explained:.1f} % of difference: the coil model "
                "may have taken part of the resonance. Try another --model."
            )
    return ""


def _by_coil(curve: FittedCurve, Re: float, model: HandValues) -> float:
    """Relative difference of hand values from parameters that the coil explains.

    A coil impedance of c Re at the peak adds c to r0, hence c/(r0 - 1) to the relative error of
    r0 - 1 and of Qes, and widens the side frequencies. The factors that make a bound of it were
    found by computing drivers from woofers to tweeters
    (tests/fitting/uncertainty/test_threepoint.py).
    """
    f = curve.frequency_hz
    coil = np.abs(curve.model_ohm - curve.motional_ohm - Re)[(f >= model.f1) & (f <= model.f2)]
    return 0.8 * float(np.max(coil)) / Re * (1 + 1.5 / (model.r0 - 1))


def _noise(curve: FittedCurve, model: HandValues) -> float:
    """Relative scatter of single points around the peak, smooth misfit left out."""
    near = (curve.frequency_hz >= model.f1) & (curve.frequency_hz <= model.f2)
    ratio = np.abs(curve.measured_ohm[near]) / np.abs(curve.model_ohm[near])
    return float(np.sqrt(np.mean(np.diff(ratio) ** 2) / 2))


def _peak_index(x: FloatArray, y: FloatArray, near_hz: float | None) -> int:
    found = peaks(y, 1e-3)
    if near_hz is not None:
        centre = math.log(near_hz)
        found = [peak for peak in found if abs(x[peak[0]] - centre) < math.log(1.5)]
    if not found:
        raise _impossible("no peak in the band")
    return max(found, key=lambda peak: peak[1])[0]


def _crossings(x: FloatArray, y: FloatArray) -> FloatArray:
    """Zeros of a curve, by the cubic through the four points around.

    ln|Z| over ln f is smooth; a chord would cut the corner.
    """
    found = []
    for index in np.flatnonzero(np.signbit(y[1:]) != np.signbit(y[:-1])):
        first = min(max(int(index) - 1, 0), x.size - 4)
        step = x[index + 1] - x[index]
        cubic = np.polyfit((x[first : first + 4] - x[index]) / step, y[first : first + 4], 3)
        roots = np.roots(cubic)
        inside = roots.real[(np.abs(roots.imag) < 1e-9) & (roots.real >= 0) & (roots.real <= 1)]
        found += [float(x[index] + step * root) for root in np.sort(inside)]
    return np.array(found)


def _top(x: FloatArray, y: FloatArray, peak: int) -> tuple[float, float]:
    """Abscissa and ordinate of the maximum, from a quartic through the points near it.

    Points within 8 % of the peak's height, at least five: least squares averages their noise,
    and the quartic leaves a bias well below that of the three points.
    """
    near = y > y[peak] + math.log(0.92)
    first = peak - int(np.argmin(near[peak::-1])) + 1 if not near[: peak + 1].all() else 0
    last = peak + int(np.argmin(near[peak:])) if not near[peak:].all() else y.size
    first, last = max(0, min(first, peak - 2)), min(y.size, max(last, peak + 3))
    scale = max(x[last - 1] - x[first], 1e-9)
    t = (x[first:last] - x[peak]) / scale
    fitted = np.polynomial.Polynomial.fit(t, y[first:last], 4)
    turning = fitted.deriv().roots()
    real = turning.real[
        (abs(turning.imag) < 1e-9) & (turning.real >= t[0]) & (turning.real <= t[-1])
    ]
    candidates = np.concatenate([real, t[[0, -1]]])
    best = candidates[np.argmax(fitted(candidates))]
    return float(x[peak] + best * scale), float(fitted(best))


def _impossible(why: str) -> Refused:
    return Refused.because("hand-check-impossible", f"Three points cannot be read: {why}.")
