"""The phase that belongs to a magnitude, and the integral behind it and behind a reactance."""

from __future__ import annotations

import numpy as np
from scipy.special import spence

from meas.curve import FloatArray


def log_coth_integral(v: FloatArray) -> FloatArray:
    """Integral of ln coth|v/2| from 0 to v: pi^2/4 less twice Legendre's chi_2 of exp(-|v|)."""
    small = np.exp(-np.abs(v))
    return np.asarray(np.sign(v) * (np.pi**2 / 4 - (spence(1 - small) - spence(1 + small))))


def phase_of_magnitude(
    frequency_hz: FloatArray, log_magnitude: FloatArray, wanted_hz: FloatArray | None = None
) -> FloatArray:
    """Minimum phase of a log magnitude that is linear in log frequency between its points.

    phase(w0) = 1/pi * integral of (d ln|q|/du) ln coth(|u|/2) du, u = ln(w/w0) (H. W. Bode,
    Network Analysis and Feedback Amplifier Design, 1945, chapter XIV; from memory), each stretch
    integrated exactly.

    Args:
        frequency_hz: Strictly increasing [Hz], shape (n,).
        log_magnitude: Natural logarithm, shape (n,); constant beyond both ends.
        wanted_hz: Where the phase is wanted [Hz], shape (m,); None: at the same frequencies.

    Returns:
        Phase [rad], shape (m,).
    """
    u = np.log(frequency_hz)
    at = u if wanted_hz is None else np.log(wanted_hz)
    slope = np.diff(log_magnitude) / np.diff(u)
    return np.asarray(np.diff(log_coth_integral(u[None, :] - at[:, None]), axis=1) @ slope / np.pi)
