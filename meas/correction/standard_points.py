"""The points of a measured standard: thinned for the rig file, found again in between."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from meas.bench.rig import Standard
from meas.curve import ComplexArray, FloatArray

if TYPE_CHECKING:
    from meas.transfer.from_sweeps import Transfer

MOST_POINTS = 200
# Below this a ratio is nearly nothing (a short on the hot side, an open end on the ground side):
# its phase means little and its size may pass through zero.
_NEXT_TO_NOTHING = 0.03
# Files hold nine digits: a point at the edge must not fall outside by its rounding.
_EDGE = 1e-7


def interpolate(standard: Standard, frequency_hz: FloatArray) -> ComplexArray:
    """Interpolate the readings of a standard to other frequencies.

    Log magnitude and unwrapped phase, linear in frequency: linear phase in frequency makes a pure
    delay exact. Ratios next to nothing go by their two parts instead. Outside the band of the
    standard nothing is known and nothing is invented.

    Returns:
        Driver input over source input, complex, shape (n,); NaN outside the band.
    """
    known, ratio = standard.frequency_hz, standard.ratio
    outside = (frequency_hz < known[0] * (1 - _EDGE)) | (frequency_hz > known[-1] * (1 + _EDGE))
    found: ComplexArray
    if next_to_nothing(ratio):
        found = np.interp(frequency_hz, known, ratio)
    else:
        log_magnitude = np.interp(frequency_hz, known, np.log(np.abs(ratio)))
        found = np.exp(log_magnitude + 1j * np.interp(frequency_hz, known, phase(known, ratio)))
    return np.where(outside, complex(np.nan, np.nan), found)


def variance(standard: Standard, frequency_hz: FloatArray) -> FloatArray:
    """Variance of each part of what `interpolate` finds, shape (n,).

    Points of a curve between the same two points of the standard share its noise. Their variance
    is raised by how many there are on average, so that a fit over all of them stays honest.
    """
    known = standard.frequency_hz
    inside = np.count_nonzero((frequency_hz >= known[0]) & (frequency_hz <= known[-1]))
    share = max(1.0, inside / known.size)
    return np.interp(frequency_hz, known, standard.standard_uncertainty) ** 2 * share


def next_to_nothing(ratio: ComplexArray) -> bool:
    """Tell whether a standard reads nearly zero, so that size and phase mean little."""
    return bool(np.median(np.abs(ratio)) < _NEXT_TO_NOTHING)


def thinned(transfer: Transfer) -> tuple[FloatArray, ComplexArray, FloatArray]:
    """Merge neighbouring points, exactly for a pure delay; the two at the edges stay.

    Returns:
        Frequencies [Hz], ratio and variance of each part, at most 200 points.
    """
    frequency, ratio, spread = transfer.frequency_hz, transfer.ratio, transfer.variance
    count = frequency.size
    if count <= MOST_POINTS:
        return frequency, ratio, spread
    weight = 1.0 / spread
    delay = 0.0 if next_to_nothing(ratio) else _delay(frequency, ratio, weight)
    turned = ratio * np.exp(-1j * delay * frequency)
    # Equal steps in log frequency, and one point each for the two edges.
    position = np.log(frequency / frequency[0]) / np.log(frequency[-1] / frequency[0])
    group = 1 + np.minimum((position * (MOST_POINTS - 2)).astype(int), MOST_POINTS - 3)
    group[0], group[-1] = 0, MOST_POINTS - 1
    starts = np.flatnonzero(np.diff(group, prepend=-1))
    total = np.add.reduceat(weight, starts)
    middle = np.add.reduceat(weight * frequency, starts) / total
    mean = np.add.reduceat(weight * turned, starts) / total
    return middle, mean * np.exp(1j * delay * middle), 1.0 / total


def phase(frequency_hz: FloatArray, ratio: ComplexArray) -> FloatArray:
    """Unwrapped phase [rad]: each point lies nearest to where a pure delay takes the one before."""
    angle = np.angle(ratio)
    for i in range(1, angle.size):
        expected = angle[i - 1] * frequency_hz[i] / frequency_hz[i - 1]
        angle[i] += 2.0 * np.pi * np.round((expected - angle[i]) / (2.0 * np.pi))
    return angle


def _delay(frequency: FloatArray, ratio: ComplexArray, weight: FloatArray) -> float:
    """Slope of the phase over frequency [rad/Hz]."""
    return float(np.polyfit(frequency, phase(frequency, ratio), 1, w=np.sqrt(weight))[0])
