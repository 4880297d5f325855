"""The phase that belongs to a magnitude, for ratios of passive one-ports.

A positive-real function has neither poles nor zeros in the right half-plane, so that its phase
is the Hilbert transform of its log magnitude over all frequencies. A measured band is not all
frequencies: what is missing is extended by what a driver behind a resistor must do there, and
how much depends on that is stated.
"""

from __future__ import annotations

import numpy as np
from scipy import special

from meas.curve import FloatArray

_EXTENSION_OCTAVES = 12
_STEPS_PER_OCTAVE = 12
_EDGE_OCTAVES = 1.0
# Approach to the upper asymptote as f^-p: 2 for an inductor beside a resistance, 1/2 for a coil
# that is all eddy currents (J. Vanderkooy, JAES 37(3), 1989).
_LEAST_POWER, _MOST_POWER = 0.5, 2.0


def phase_of_magnitude(frequency_hz: FloatArray, log_magnitude: FloatArray) -> FloatArray:
    """Minimum phase of a log magnitude that is linear in log frequency between its points.

    phase(w0) = 1/pi * integral of (d ln|q|/du) ln coth(|u|/2) du, u = ln(w/w0) (H. W. Bode,
    Network Analysis and Feedback Amplifier Design, 1945, chapter XIV; from memory), each stretch
    integrated exactly: the integral of ln coth(t/2) from 0 to u is
    pi^2/4 - Li2(exp(-u)) + Li2(-exp(-u)).

    Args:
        frequency_hz: Strictly increasing [Hz], shape (n,).
        log_magnitude: Natural logarithm, shape (n,); constant beyond both ends.

    Returns:
        Phase [rad], shape (n,).
    """
    u = np.log(frequency_hz)
    slope = np.diff(log_magnitude) / np.diff(u)
    distance = u[None, :] - u[:, None]
    x = np.exp(-np.abs(distance))
    integral = np.sign(distance) * (
        np.pi**2 / 4.0 - special.spence(1.0 - x) + special.spence(1.0 + x)
    )
    phase: FloatArray = np.diff(integral, axis=1) @ slope / np.pi
    return phase


def rebuilt_phase(
    frequency_hz: FloatArray, magnitude: FloatArray, ceiling: float | None
) -> tuple[FloatArray, FloatArray]:
    """Phase of a positive-real ratio known over a band, and its standard uncertainty.

    Below the band the ratio comes to rest at a real value, as a + b f^2: it is even in frequency.
    Above, it approaches a known ceiling as a power of frequency that the last octave shows, or,
    without a ceiling, goes on at the slope of the last octave. The uncertainty is what comes of
    leaving out the lower extension, and of a power that is half as large again.

    Args:
        frequency_hz: Strictly increasing [Hz], shape (n,).
        magnitude: Positive, shape (n,).
        ceiling: What the magnitude approaches at high frequencies; None: it falls.

    Returns:
        Phase and its standard uncertainty [rad], shape (n,).
    """
    known = np.log(magnitude)

    def phase(low: bool, stretch: float) -> FloatArray:
        below, above = _below(frequency_hz, known, low), None
        above = _above(frequency_hz, known, ceiling, stretch)
        f = np.concatenate([below[0], frequency_hz, above[0]])
        values = np.concatenate([below[1], known, above[1]])
        return phase_of_magnitude(f, values)[below[0].size : below[0].size + known.size]

    best = phase(True, 1.0)
    spread = np.hypot(best - phase(False, 1.0), best - phase(True, 1.5))
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
    slope = float(np.polyfit(u, known[edge], 1)[0]) if u.size > 2 else 0.0
    if ceiling is None:
        return grid, known[-1] + slope * stretch * np.log(grid / f[-1])
    gap = np.log(ceiling) - known[-1]
    if gap <= 1e-6:
        return grid, np.full(grid.size, known[-1])
    power = float(np.clip(slope / gap, _LEAST_POWER, _MOST_POWER)) * stretch
    return grid, np.log(ceiling) - gap * (grid / f[-1]) ** -power
