"""The linear relation between both inputs, and what of the driver input it leaves unexplained.

A one-port behind a resistor is linear and does not change with time. So the driver input is the
source input passed through one fixed filter, whatever was played and whatever the amplifier did
to it. Everything that spoils the ratio breaks this relation somewhere in time: a lost frame,
a gain that moves, a converter that saturates, a suspension at its stops. Hence the residual
watched here is the very quantity that a wrong impedance is made of. A fault that leaves no trace
in it leaves none in the impedance either, except what acts alike at all times.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import fft

from meas.curve import ComplexArray, TwoInputs

SignalArray = NDArray[np.floating]

# Windows in frequency, half-widths. Wide against the comb that two passes a second apart make
# (1 Hz), so that a difference between passes cannot hide in the fine structure of the filter, and
# narrow enough that a resonance and a smooth background describe what is inside.
_RELATIVE_HALF_WIDTH = 0.04
_LEAST_HALF_WIDTH_HZ = 1.5
_LEAST_HALF_WIDTH_BINS = 12
_LOWEST_HZ = 1.0
# A window whose driver input is explained to less than this share holds no drive.
_LEAST_EXPLAINED = 0.5


@dataclass(frozen=True, eq=False)
class Relation:
    """The driver input as predicted from the source input.

    Attributes:
        predicted: Source input through the fixed filter, shape (n,).
        quadrature: The prediction turned by +90 degrees at every frequency, shape (n,).
        residual: Driver input less prediction, in the driven band only, shape (n,).
        sample_rate_hz: Rate [Hz].
        band_hz: Lowest and highest frequency in which both inputs are related [Hz]; (0, 0) when
            there is no such band.
    """

    predicted: SignalArray
    quadrature: SignalArray
    residual: SignalArray
    sample_rate_hz: int
    band_hz: tuple[float, float]


def relate(samples: TwoInputs, sample_rate_hz: int, *, contained: bool) -> Relation:
    """Predict the driver input from the source input with one filter for the whole record.

    In each window of frequency the filter is a polynomial or, where that explains more, a
    rational function with one pole. It is fitted by least squares to the spectra of the whole
    record (local rational method: T. McKelvey, G. Guerin, IFAC SYSID 2012, "Non-parametric
    frequency response estimation using a local rational model"). One pole represents a resonance
    of any sharpness exactly.

    Args:
        contained: True when the record begins and ends in silence. Otherwise what the record's
            ends do to the spectra is fitted as a polynomial beside the filter.

    Returns:
        The prediction and the residual.
    """
    count = samples.shape[0]
    size = fft.next_fast_len(count, real=True)
    # An offset would be a step where the record is padded.
    offset = [np.float32(np.mean(samples[:, channel], dtype=np.float64)) for channel in (0, 1)]
    source = fft.rfft(samples[:, 0] - offset[0], size)
    driver = fft.rfft(samples[:, 1] - offset[1], size)
    predicted = np.zeros_like(source)
    bin_hz = sample_rate_hz / size
    related = np.zeros(source.size, dtype=np.bool_)
    for core, window in _windows(size // 2, bin_hz):
        inside = slice(core.start - window.start, core.stop - window.start)
        explained = _explain(source[window], driver[window], contained=contained)
        if explained is not None:
            predicted[core] = explained[inside]
            related[core] = True
    driver[~related] = 0.0
    driver -= predicted
    residual = fft.irfft(driver, size, overwrite_x=True)[:count].copy()
    del source, driver
    prediction = fft.irfft(predicted, size)[:count].copy()
    predicted *= 1j
    quadrature = fft.irfft(predicted, size, overwrite_x=True)[:count].copy()
    driven = np.flatnonzero(related)
    band_hz = (0.0, 0.0)
    if driven.size:
        band_hz = (float(driven[0] * bin_hz), float(driven[-1] * bin_hz))
    return Relation(prediction, quadrature, residual, sample_rate_hz, band_hz)


def _windows(last_bin: int, bin_hz: float) -> Iterator[tuple[slice, slice]]:
    """Adjoining cores of bins, and around each the window it is fitted in."""
    begin = max(1, int(_LOWEST_HZ / bin_hz))
    while begin < last_bin:
        half = max(
            _LEAST_HALF_WIDTH_BINS,
            int(_LEAST_HALF_WIDTH_HZ / bin_hz),
            int(_RELATIVE_HALF_WIDTH * begin),
        )
        stop = min(begin + half, last_bin)
        yield slice(begin, stop), slice(max(1, begin - half // 2), min(last_bin, stop + half // 2))
        begin = stop


def _explain(source: ComplexArray, driver: ComplexArray, *, contained: bool) -> ComplexArray | None:
    """Explain the driver input by the source within one window; None if next to nothing."""
    source, driver = source.astype(np.complex128), driver.astype(np.complex128)
    power = float(np.vdot(driver, driver).real)
    if power == 0.0:
        return None
    place = np.linspace(-1.0, 1.0, source.size)
    powers = np.stack([np.ones_like(place), place, place**2])
    ends = [] if contained else list(powers * np.sqrt(power / source.size))
    numerator = list(powers * source)

    smooth, left = _least_squares([*numerator, *ends], driver)
    best = smooth[:3] @ np.stack(numerator)
    pole, left_pole = _least_squares([*numerator, *ends, -place * driver], driver)
    denominator = 1.0 + pole[-1] * place
    # Without a resonance inside, the pole is a whim of the noise: it must earn its place.
    if left_pole < 0.7 * left and np.min(np.abs(denominator)) > 0.2:
        rational = (pole[:3] @ np.stack(numerator)) / denominator
        trace = rational
        if not contained:
            trace = rational + (pole[3:6] @ np.stack(ends)) / denominator
        error = driver - trace
        if float(np.vdot(error, error).real) < left:
            best, left = rational, float(np.vdot(error, error).real)
    if left > (1.0 - _LEAST_EXPLAINED) * power:
        return None
    found: ComplexArray = best
    return found


def _least_squares(columns: list[ComplexArray], target: ComplexArray) -> tuple[ComplexArray, float]:
    """Coefficients by normal equations (at most eight columns of like size), and what is left."""
    rows = np.stack(columns)
    gram = rows.conj() @ rows.T
    gram[np.diag_indices_from(gram)] *= 1.0 + 1e-12
    coefficients = np.linalg.lstsq(gram, rows.conj() @ target, rcond=1e-13)[0]
    error = target - coefficients @ rows
    return np.asarray(coefficients, np.complex128), float(np.vdot(error, error).real)
