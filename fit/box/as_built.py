"""The finished box, from its impedance and the driver's fit: what was really built."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from fit.box.driver_in_box import DEPARTURES, DriverInBox
from fit.box.saved_driver import SavedDriver
from fit.box.start import Peaks, closed, find, vented
from fit.parts.one_port import Followed, follow
from fit.results.result import Estimate
from meas.curve import ComplexArray, Curve, FloatArray, at_points
from meas.errors import Finding, Refused

BoxKind = Literal["closed", "vented"]

_POOR, _ROUGH = 0.15, 0.03
_BAND = 4.0
"""How far above the highest peak the curve is followed: the box acts below, the coil above."""
_FEWEST = 20
_UNLIKELY = 3.5
"""Departure from the fit, in standard deviations, that a driver does not show by itself."""
_LEAKY = 5.0
_LOSS = "random:kind-of-loss"
_OTHER_LOSS = 0.1
"""Relative standard uncertainty of QL for losses that grow otherwise with frequency than a leak's
(common practice, no source)."""


@dataclass(frozen=True, eq=False)
class SystemFit:
    """A finished box as measured.

    Attributes:
        parameters: ``fc Qtc Vb`` or ``fb Vb``, and ``QL`` where the curve tells it.
        QL_at_least: Lower limit (95 %) of QL where the leak is too small to be seen; None where
            it is seen.
        peaks_hz: Peaks of |Z| in the bass, ascending.
        frequency_hz: Frequencies of the part that was fitted [Hz], shape (n,).
        measured_ohm: Measured impedance, complex, or its magnitude, shape (n,).
        model_ohm: Modelled impedance, likewise.
        residual_rms_relative: Root mean square of |measured - model|/|measured|.
    """

    kind: BoxKind
    parameters: Mapping[str, Estimate]
    QL_at_least: float | None
    peaks_hz: tuple[float, ...]
    frequency_hz: FloatArray
    measured_ohm: ComplexArray | FloatArray
    model_ohm: ComplexArray | FloatArray
    residual_rms_relative: float
    warnings: tuple[Finding, ...]
    sources: Mapping[str, str]


def fit_system(curve: Curve, driver: SavedDriver, kind: BoxKind | None = None) -> SystemFit:
    """Find volume, resonance or tuning, and losses of a finished box from its impedance.

    Args:
        kind: Closed or vented; None: decided by the number of peaks.

    Raises:
        Refused: ``no-double-peak no-single-peak no-box too-few-points poor-fit``.
    """
    fs = math.exp(float(driver.theta[1]))
    peaks = find(curve, fs)
    if kind is None:
        kind = "vented" if len(peaks.at_hz) == 2 else "closed"
    if kind == "vented":
        alpha, fb = vented(peaks, float(curve.frequency_hz[0]))
        own = [math.log(alpha), math.log(2 * math.pi * fb), 0.1]
    else:
        own = [math.log(closed(peaks, fs)), 0.0]
    followed_curve = at_points(curve, curve.frequency_hz <= _BAND * peaks.at_hz[-1])
    if followed_curve.frequency_hz.size < _FEWEST:
        raise Refused([_TOO_FEW])
    model = DriverInBox(driver, vented=kind == "vented")
    start = np.concatenate([own, np.zeros(model.size - len(own))])
    found = follow(followed_curve, model, start, known=model.known)
    if found.residual_rms_relative > _POOR:
        raise _poor(found, kind)
    parameters, limit = _quantities(found, model, peaks)
    return SystemFit(
        kind=kind,
        parameters=parameters,
        QL_at_least=limit,
        peaks_hz=peaks.at_hz,
        frequency_hz=followed_curve.frequency_hz,
        measured_ohm=followed_curve.values_ohm,
        model_ohm=found.model_ohm,
        residual_rms_relative=found.residual_rms_relative,
        warnings=tuple(_doubts(found, model, parameters, curve)),
        sources={**found.sources, _LOSS: "which loss it is: a leak, the lining, the vent"},
    )


def _quantities(
    found: Followed, model: DriverInBox, peaks: Peaks
) -> tuple[dict[str, Estimate], float | None]:
    parameters = {"Vb": found.estimate(model.volume, "m3")}
    leak: Callable[[FloatArray], float]
    if model.vented:
        parameters["fb"] = found.estimate(model.fb, "Hz")

        def leak(theta: FloatArray) -> float:
            return float(theta[2])
    else:
        resonance = _resonance_of(model, peaks.at_hz[0])
        parameters["fc"] = found.estimate(resonance, "Hz")
        parameters["Qtc"] = found.estimate(lambda t: _total_q(model, t, resonance(t)), "1")

        def leak(theta: FloatArray) -> float:
            return float(theta[1]) * model.reference / (2 * math.pi * resonance(theta))

    inverse = found.estimate(leak, "1", logarithmic=False)
    if inverse.value > 3 * inverse.standard_uncertainty * inverse.widening:
        parameters["QL"] = found.estimate(lambda t: 1 / leak(t), "1")
        return _with_other_losses(parameters, parameters["QL"].value), None
    upper = inverse.interval_95[1]
    limit = 1 / upper if upper > 0 else None
    return _with_other_losses(parameters, limit), limit


def _with_other_losses(parameters: Mapping[str, Estimate], QL: float | None) -> dict[str, Estimate]:
    """Widen tuning and QL by what another loss than a leak would read as.

    The model has a leak; what is lost in the vent, as a resistance in series with its mass of air,
    tunes it lower by 1/(2 QL^2): 1/(j w M (1 + 1/(j Q))) is a mass of M (1 + 1/Q^2) beside a
    resistance. Either may be so: that is taken as a rectangular error.
    """
    relative = {"QL": _OTHER_LOSS} | ({"fb": 1 / (2 * 3**0.5 * QL**2)} if QL else {})
    widened = {
        name: replace(
            parameters[name],
            contributions={**parameters[name].contributions, _LOSS: size * parameters[name].value},
        )
        for name, size in relative.items()
        if name in parameters
    }
    return {**parameters, **widened}


def _resonance_of(model: DriverInBox, near_hz: float) -> Callable[[FloatArray], float]:
    """Frequency at which the mechanical reactance vanishes [Hz].

    A closed box has only one, within a decade of its peak of |Z|.
    """
    from scipy.optimize import brentq

    def resonance(theta: FloatArray) -> float:
        def reactance(log_f: float) -> float:
            s = np.array([2j * math.pi * math.exp(log_f)])
            return float(model.mechanical(s, theta)[0].imag)

        at = math.log(near_hz)
        return math.exp(float(brentq(reactance, at - 2.3, at + 2.3, xtol=1e-13)))

    return resonance


def _total_q(model: DriverInBox, theta: FloatArray, fc: float) -> float:
    """Q of the moving mass against all losses at resonance, coil circuit included (Small 1972)."""
    w = 2 * math.pi * fc
    loss = float(model.mechanical(np.array([1j * w]), theta)[0].real)
    return w * model.inertia(theta) / (loss + model.strength(theta) / model.resistance(theta))


_TOO_FEW = Finding(
    "too-few-points",
    f"the curve has fewer than {_FEWEST} points around the peaks, too few to tell a box",
    refuses=True,
    next_step="Measure a sweep, or give a table with more rows",
)


def _poor(found: Followed, kind: BoxKind) -> Refused:
    hidden = "" if kind == "vented" else ", or a vented one whose lower peak the sweep left out"
    return Refused.because(
        "poor-fit",
        f"no box around this driver follows the curve: {100 * found.residual_rms_relative:.0f} % "
        f"of |Z| are left ({100 * _POOR:.0f} % at most). Is it the driver of this fit, alone, "
        f"without a crossover in between{hidden}?",
    )


def _doubts(
    found: Followed, model: DriverInBox, parameters: Mapping[str, Estimate], curve: Curve
) -> list[Finding]:
    doubts: list[Finding] = []
    if not curve.systematics:
        doubts.append(
            Finding(
                "bench-unknown",
                "a table does not say what its bench gets wrong (resistor, inputs): the "
                "uncertainties hold the driver's fit, noise and misfit only. A take states all",
            )
        )
    numbers = found.theta[model.own :]
    departures = model.departures(found.theta)
    for name, number in zip(DEPARTURES, numbers[len(model.sources) :], strict=True):
        if abs(number) > _UNLIKELY:
            doubts.append(_departed(name, departures[name]))
    if any(abs(number) > _UNLIKELY for number in numbers[: len(model.sources)]):
        doubts.append(
            Finding(
                "other-driver",
                "the curve asks for a driver beyond the uncertainty of its fit: is it the same "
                "unit, on the same bench? Until that is clear the volume is not to be relied upon",
            )
        )
    if found.residual_rms_relative > _ROUGH:
        doubts.append(
            Finding(
                "departs",
                f"the curve departs from the model by {100 * found.residual_rms_relative:.1f} % "
                "of |Z|, which the uncertainties include: lining, a rattling panel or a leak that "
                "whistles do that",
            )
        )
    leak = parameters.get("QL")
    if leak is not None and leak.interval_95[1] < _LEAKY:
        doubts.append(
            Finding(
                "leaky",
                f"the box loses much: QL {leak.value:.2g} where a tight one has 5 to 20 (R. H. "
                "Small 1973; from memory)",
                next_step=(
                    "Look for leaks at the driver's rim, the terminals and the joints, and for "
                    "lining in the way of the vent"
                ),
            )
        )
    return doubts


_KINDS = {
    "re": "coil resistance",
    "compliance": "compliance of the suspension",
    "loss": "mechanical loss",
    "air": "moving mass",
    "weather": "air",
}


def _departed(name: str, amount: float) -> Finding:
    size = abs(math.expm1(amount))
    return Finding(
        "driver-changed",
        f"{_KINDS[name]} seems {100 * size:.0f} % {'above' if amount > 0 else 'below'} that of "
        "the fit, more than a driver changes by itself: is it this unit, and was it broken in "
        "since? Measure it again in free air; until then the volume is not to be relied upon",
    )
