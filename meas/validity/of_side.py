"""Side of the driver that the resistor is on: read from the other side, no curve is a coil's."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from meas.bench.rig import Rig, Wiring
from meas.correction.divider import from_ratio, to_ratio
from meas.curve import ComplexArray, FloatArray, ImpedanceCurve
from meas.errors import Finding
from meas.passivity.nonnegative import partly_nonnegative
from meas.validity.of_resonance import parts, poles

_BETTER = 0.6  # misfit read from the other side re that of the rig's, below which it is named
_NO_COIL = 0.015  # misfit up to which a curve is a coil's as the rig reads it
_FLOOR = 0.003  # relative error of Z from which on a misfit counts
_FLAT = 1.01  # spread of the ratio of the inputs within which it is a resistor's, of either side
_POINTS, _CORNERS = 80, 10
_DELAYS = 13  # between the limits of inputs that nobody compared
_KNOWN_SAMPLES = 0.02  # delay that bends no curve by more than a coil's own shape
_BELOW = tuple((place, Q) for place in (1.1, 1.4, 2.0, 3.0, 5.0) for Q in (1.0, 3.0))
_LEAST_Q = 0.6
_MOST_REACTIVE = 2.0


@dataclass(frozen=True)
class _Reading:
    """Misfit of a coil to a curve.

    Attributes:
        misfit: Root mean square re |Z|.
        delay: Delay at which it follows best [samples].
        resonance_hz: Resonance [Hz]; None: below the sweep.
        reactive: Median of reactance over resistance.
    """

    misfit: float
    delay: float
    resonance_hz: float | None
    reactive: float


def wrong_side(
    curve: ImpedanceCurve, rig: Rig, sample_rate_hz: int, *, calibrated: bool
) -> tuple[Finding, ...]:
    """Find a resistor on the other side of the driver than the rig says.

    Criterion: read from the wrong side, a curve comes out as R^2/Z. A driver is a coil with one
    resonance in the band or below it: R + sL + sum of R_k s/(s + p_k) + A s/(s^2 + s w/Q + w^2),
    with nothing negative (sources: `meas.validity.of_delay`), and R^2/Z of such
    a thing is none: it dips where the other peaks, and falls where the other rises. Both are fitted
    to both readings, inputs that nobody compared at the delay that suits each best. The reading of
    less misfit is right: in 400 benches drawn from first principles, half of them calibrated, half
    with the resonance below the sweep, by a factor of 1.5 at least, 20 to 60 as a rule. A curve
    that is mostly reactance is a part, and one without any is a resistor: these say nothing of
    their side.

    Args:
        curve: As the rig reads it, no delay taken out.
        sample_rate_hz: In which the rig's delay counts [Hz].
        calibrated: Whether the inputs were compared.
    """
    f, z, u = curve.frequency_hz, curve.impedance_ohm, curve.standard_uncertainty_ohm
    if u is None or f.size < 8:
        return ()
    limit = 0.0 if calibrated else rig.assumptions.mismatch_delay_samples
    delays = np.linspace(-limit, limit, _DELAYS) if limit > _KNOWN_SAMPLES else np.zeros(1)
    turns = np.asarray(2j * np.pi * f / sample_rate_hz, np.complex128)
    side = rig.wiring.resistor_side
    other = rig.wiring.model_copy(update={"resistor_side": "ground" if side == "hot" else "hot"})
    ratio, noise = to_ratio(z, rig.wiring), u / np.abs(z)
    least, most = np.quantile(np.abs(ratio), (0.05, 0.95))
    if most < _FLAT * least:
        return ()
    as_said, turned = (_read(f, ratio, noise, one, turns, delays) for one in (rig.wiring, other))
    if (
        turned.misfit > _BETTER * as_said.misfit
        or as_said.misfit < _NO_COIL
        or turned.reactive > _MOST_REACTIVE
    ):
        return ()
    place = "below the sweep"
    if turned.resonance_hz is not None:
        place = f"at {turned.resonance_hz:.0f} Hz"
    text = (
        f"Read with the resistor on the {other.resistor_side} side, this is a voice coil with its "
        f"resonance {place}; on the {side} side, as the rig says, it is none"
    )
    step = "Correct resistor_side in the rig file or the wiring"
    return (Finding("wrong-resistor-side", text, refuses=True, next_step=step),)


def _read(
    f: FloatArray,
    ratio: ComplexArray,
    noise: FloatArray,
    wiring: Wiring,
    turns: ComplexArray,
    delays: FloatArray,
) -> _Reading:
    """The best of all delays; they bend the resonance by which the coil is known, hence twice."""
    kept = np.unique(np.round(np.linspace(0, f.size - 1, _POINTS)).astype(int))
    nothing = np.zeros(f.size)
    curves = [from_ratio(ratio * np.exp(turns * delay), nothing, wiring)[0] for delay in delays]
    at = int(np.argmin(np.abs(delays)))
    least, resonance_hz = math.inf, None
    for _ in range(2):
        looked_at = at
        found = poles(f, curves[at], noise * np.abs(curves[at]))
        for index, one in enumerate(curves):
            for resonance in {found, None}:
                misfit = _misfit(f[kept], one[kept], noise[kept], resonance)
                if misfit < least:
                    least, at = misfit, index
                    resonance_hz = None if resonance is None else resonance[0]
        if at == looked_at:
            break
    z = curves[at][kept]
    reactive = float(np.median(np.abs(z.imag) / np.maximum(np.abs(z.real), 1e-12)))
    return _Reading(least, float(delays[at]), resonance_hz, reactive)


def _misfit(
    f: FloatArray, z: ComplexArray, noise: FloatArray, resonance: tuple[float, float] | None
) -> float:
    """Misfit of the coil re |Z|; infinite where a reading is beyond all numbers (one node)."""
    if not (np.all(np.isfinite(z)) and np.all(np.abs(z) > 0) and np.all(np.isfinite(noise))):
        return math.inf
    s = np.asarray(1j * f[:, None], np.complex128)
    corners = np.geomspace(max(f[0], 50.0), 10 * f[-1], _CORNERS)
    places = _BELOW if resonance is None else (resonance,)
    lowest = f[0] if resonance is None else 1.0
    motional = [_peak(s, lowest / a if resonance is None else a, Q) for a, Q in places]
    columns = np.concatenate([s**0, s / f[-1], s / (s + corners), *motional], axis=1)
    weight = _FLOOR / (np.abs(z) * np.hypot(_FLOOR, noise))
    matrix, target = parts(columns, weight), parts(z, weight)
    scale = np.sqrt(np.sum(matrix**2, axis=0)) + 1e-300
    left = matrix / scale @ partly_nonnegative(matrix / scale, target, 0) - target
    return float(np.sqrt(left @ left / target.size))


def _peak(s: ComplexArray, at_hz: float, Q: float) -> ComplexArray:
    x = s / at_hz
    slope = x / max(Q, _LEAST_Q)
    return np.asarray(slope / (1 + slope + x * x))
