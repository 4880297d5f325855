"""The phase that belongs to a magnitude, for ratios of passive one-ports.

A positive-real function has neither poles nor zeros in the right half-plane, so that its phase
is the Hilbert transform of its log magnitude over all frequencies. A measured band is not all
frequencies: what is missing is extended by what a driver behind a resistor must do there, and
how much depends on that is stated.
"""

from __future__ import annotations

import numpy as np
from scipy import interpolate

from meas.curve import FloatArray
from meas.passivity.bode import phase_of_magnitude

_EXTENSION_OCTAVES = 12
_STEPS_PER_OCTAVE = 12
_EDGE_OCTAVES = 1.0
_FINER = 4
# Approach to the upper asymptote as f^-p: 2 for an inductor beside a resistance, 1/2 for a coil
# that is all eddy currents (J. Vanderkooy, JAES 37(3), 1989).
_LEAST_POWER, _MOST_POWER = 0.5, 2.0


def rebuilt_phase(
    frequency_hz: FloatArray, magnitude: FloatArray, ceiling: float | None
) -> tuple[FloatArray, FloatArray]:
    """Phase of a positive-real ratio known over a band, and its standard uncertainty.

    Below the band the ratio comes to rest at a real value, as a + b f^2: it is even in frequency.
    Above, it approaches a known ceiling as a power of frequency that the last octave shows.
    Without a ceiling it falls on like the single pole of an inductor that has this slope.

    The uncertainty is the effect of other extensions: none below, a power half as large again or
    as small, a slope that stays, and one that steepens three times as fast.

    Args:
        frequency_hz: Strictly increasing [Hz], shape (n,).
        magnitude: Positive, shape (n,).
        ceiling: What the magnitude approaches at high frequencies; None: it falls.

    Returns:
        Phase and its standard uncertainty [rad], shape (n,).
    """
    known = np.log(magnitude)
    # Near a resonance of high quality straight lines between the points cut its curve short.
    u = np.log(frequency_hz)
    place = np.arange(u.size)
    inner = np.interp(np.arange(0, _FINER * (u.size - 1) + 1) / _FINER, place, u)
    smooth = interpolate.CubicSpline(u, known)(inner)
    smooth[::_FINER] = known

    def phase(low: bool, stretch: float) -> FloatArray:
        below = _below(frequency_hz, known, low)
        above = _above(frequency_hz, known, ceiling, stretch)
        f = np.concatenate([below[0], np.exp(inner), above[0]])
        values = np.concatenate([below[1], smooth, above[1]])
        return phase_of_magnitude(f, values, frequency_hz)

    best = phase(True, 1.0)
    above = np.maximum(np.abs(best - phase(True, 1.5)), np.abs(best - phase(True, 1.0 / 1.5)))
    spread = np.hypot(best - phase(False, 1.0), above)
    return best, np.asarray(spread, dtype=np.float64)


def _below(f: FloatArray, known: FloatArray, extended: bool) -> tuple[FloatArray, FloatArray]:
    steps = np.arange(_EXTENSION_OCTAVES * _STEPS_PER_OCTAVE, 0, -1) / _STEPS_PER_OCTAVE
    grid = f[0] * 2.0**-steps
    if not extended:
        return grid, np.full(grid.size, known[0])
    edge = f < f[0] * 2.0**_EDGE_OCTAVES
    square = (f[edge] / f[0]) ** 2
    if square.size < 3:
        return grid, np.full(grid.size, known[0])
    b = np.polynomial.Polynomial.fit(square, known[edge], min(2, square.size - 1)).deriv()(1.0)
    # Continuous at the edge, whatever noise the edge itself has.
    return grid, known[0] + b * ((grid / f[0]) ** 2 - 1.0)


def _above(
    f: FloatArray, known: FloatArray, ceiling: float | None, stretch: float
) -> tuple[FloatArray, FloatArray]:
    steps = np.arange(1, _EXTENSION_OCTAVES * _STEPS_PER_OCTAVE + 1) / _STEPS_PER_OCTAVE
    grid = f[-1] * 2.0**steps
    edge = f > f[-1] * 2.0**-_EDGE_OCTAVES
    u = np.log(f[edge] / f[-1])
    slope = float(np.polyfit(u, known[edge], 2)[1]) if u.size > 3 else 0.0
    if ceiling is None:
        # |q| of 1/(1 + j f/fc) has the slope -x/(1 + x) with x = (f/fc)^2.
        falling = float(np.clip(-slope, 0.0, 0.99))
        if stretch > 1.0:
            return grid, known[-1] - falling * np.log(grid / f[-1])
        x = falling / (1.0 - falling) * (1.0 if stretch == 1.0 else 3.0)
        return grid, known[-1] - 0.5 * np.log((1.0 + x * (grid / f[-1]) ** 2) / (1.0 + x))
    gap = np.log(ceiling) - known[-1]
    if gap <= 1e-6:
        return grid, np.full(grid.size, known[-1])
    power = float(np.clip(slope / gap, _LEAST_POWER, _MOST_POWER)) * stretch
    return grid, np.log(ceiling) - gap * (grid / f[-1]) ** -power
