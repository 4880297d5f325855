"""The difference of two measured curves with its uncertainty."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from fit.compare.repeatability import effects
from fit.results.error_sources import ASSUMED, variance
from fit.results.error_sources import difference as difference_of
from fit.results.result import Z95, DriverFit, widest
from meas.curve import FloatArray

_SHAPING = ("Re", "fs", "Qms", "Qes", "Le")
_NEEDED = {"Re", "fs", "Qms", "Qes"}
_WINDOW = 9  # points over which the noise of a curve is averaged


@dataclass(frozen=True, eq=False)
class CurveDifference:
    """|Z| of one fit's free-air takes minus that of another's.

    Attributes:
        frequency_hz: Shape (n,).
        difference_ohm: Later minus earlier, shape (n,).
        reach_95_ohm: Half-width of the 95 % interval by noise, errors that the two do not share,
            and clamping the driver anew, shape (n,).
    """

    frequency_hz: FloatArray
    difference_ohm: FloatArray
    reach_95_ohm: FloatArray


def difference(before: DriverFit, after: DriverFit) -> CurveDifference:
    """Subtract free-air magnitudes as measured, later minus earlier, where both reach.

    The reach is NaN throughout where a fit lacks Re, fs or a Q.

    Several free-air takes of a fit count by their mean. The uncertainty follows through the
    fitted model from those of Re, fs, Qms, Qes and Le, which stands for the whole coil. Shared
    error sources enter with the difference of their effects, the others and the repeatability of
    `fit.compare.changes` with their squares (JCGM 102:2011, 6.2.1.3).
    """
    known, f = before.free_air[0].frequency_hz, after.free_air[0].frequency_hz
    f = f[(f >= known[0]) & (f <= known[-1])]
    measured = [_mean_magnitude(fit, f) for fit in (before, after)]
    if not all(_NEEDED <= fit.parameters.keys() for fit in (before, after)):
        return CurveDifference(f, measured[1] - measured[0], np.full(f.size, np.nan))
    first, second = (
        effects(fit, _slopes(fit, f)) | {f"{ASSUMED}scatter": np.sqrt(_noise(fit, f))}
        for fit in (before, after)
    )
    widening = (widest(before.parameters.values()), widest(after.parameters.values()))
    reach = Z95 * np.sqrt(variance(difference_of(first, second, widening=widening)))
    return CurveDifference(f, measured[1] - measured[0], reach)


def _mean_magnitude(fit: DriverFit, f: FloatArray) -> FloatArray:
    rows = [_at(f, curve.frequency_hz, np.abs(curve.measured_ohm)) for curve in fit.free_air]
    return np.asarray(np.mean(rows, axis=0))


def _at(f: FloatArray, known_hz: FloatArray, values: FloatArray) -> FloatArray:
    return np.asarray(np.interp(np.log(f), np.log(known_hz), values))


def _slopes(fit: DriverFit, f: FloatArray) -> dict[str, FloatArray]:
    """Change of |Z| [ohm] for a unit change of the logarithm of each parameter that shapes it.

    Z = Re + Zc + m, m = Re (Qms/Qes)/D, D = 1 + j Qms (f/fs - fs/f) (R. H. Small 1972).
    """
    curve = fit.free_air[0]
    known = {name: fit.parameters[name].value for name in _SHAPING if name in fit.parameters}
    fs, Qms, Re = known["fs"], known["Qms"], known["Re"]
    x = f / fs
    D = 1 + 1j * Qms * (x - 1 / x)
    m = Re * Qms / known["Qes"] / D
    blocked = curve.model_ohm - curve.motional_ohm
    coil = (
        _at(f, curve.frequency_hz, blocked.real) - Re
        + 1j * _at(f, curve.frequency_hz, blocked.imag)
    )  # fmt: skip
    Z = Re + coil + m
    of_Z = {"Re": Re + m, "fs": m / D * 1j * Qms * (x + 1 / x), "Qms": m / D, "Qes": -m, "Le": coil}
    return {name: np.real(np.conj(Z) / np.abs(Z) * of_Z[name]) for name in known}


def _noise(fit: DriverFit, f: FloatArray) -> FloatArray:
    """Variance [ohm2] of |Z| from scatter: half the squared step between neighbours' residuals."""
    curves = fit.free_air
    variance = np.zeros(f.size)
    for curve in curves:
        residual = np.abs(curve.measured_ohm) - np.abs(curve.model_ohm)
        if residual.size < 2 * _WINDOW:
            continue
        steps = np.diff(residual, prepend=residual[0]) ** 2 / 2
        smooth = np.convolve(steps, np.full(_WINDOW, 1 / _WINDOW), mode="same")
        variance += _at(f, curve.frequency_hz, smooth) / len(curves) ** 2
    return variance


def largest(difference: CurveDifference) -> tuple[float, float, float] | None:
    """Find the most significant difference: its frequency [Hz], size and reach [ohm].

    None where nothing stands out of the 95 % band by as much again: one of so many points may by
    chance.
    """
    ratio = np.abs(difference.difference_ohm) / np.maximum(difference.reach_95_ohm, 1e-12)
    k = int(np.argmax(ratio))
    if not ratio[k] >= 2 or not math.isfinite(ratio[k]):
        return None
    return (
        float(difference.frequency_hz[k]),
        float(difference.difference_ohm[k]),
        float(difference.reach_95_ohm[k]),
    )
