"""Repetitions that something else has spoilt: a door, a lorry, a lost block.

The driver is a microphone: whatever moves the air moves the cone and writes into the driver
input. Repetitions of one excitation must agree; one that stands far off from what most of them
say is left out and counted.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray
from scipy import special

from meas.curve import ComplexArray, FloatArray, TwoInputs
from meas.excitation.stimulus import Stimulus
from meas.transfer.passes import Passes

FEWEST_REPETITIONS = 4
# Power above the typical repetition. Chance alone passes the quantile once in 1e5; a slow
# change (a coil that warms, a suspension that creeps) makes the first or last of a row differ
# by twice the typical amplitude, which is no reason to drop it.
_FAR_OFF = 16.0
_CHANCE = 1e-5


def most_left_out(repetitions: int) -> int:
    """Most repetitions to leave out: fewer than a third, none of fewer than four."""
    return (repetitions - 1) // 3 if repetitions >= FEWEST_REPETITIONS else 0


def spoilt(
    values: ComplexArray, weight: FloatArray, band: NDArray[np.intp], freedom: FloatArray
) -> NDArray[np.bool_]:
    """Repetitions that stand far off from the others in some band of frequency.

    The deviation from the median over repetitions is judged by its size alone, whichever way it
    points: leaving out what is far off then does not bend the mean of the rest.

    Args:
        values: The same quantity in every repetition, complex, shape (p, n).
        weight: Inverse variance up to a common factor, shape (p, n).
        band: Which band each value belongs to, counted from 0, shape (n,).
        freedom: Independent complex values per value, shape (n,).

    Returns:
        True for those to leave out, shape (p,); none when more would be than `most_left_out`
        allows, because then it is not known which are right.
    """
    count = values.shape[0]
    none = np.zeros(count, dtype=np.bool_)
    if most_left_out(count) == 0 or values.shape[1] == 0:
        return none
    middle = np.median(values.real, axis=0) + 1j * np.median(values.imag, axis=0)
    square = np.abs(values - middle) ** 2 * weight
    bands = int(band.max()) + 1
    power = np.stack([np.bincount(band, row, bands) for row in square])
    degrees = 2.0 * np.maximum(np.bincount(band, freedom, bands), 0.5)
    typical = np.maximum(np.median(power, axis=0), 1e-300)
    chance = special.chdtri(degrees, _CHANCE) / special.chdtri(degrees, 0.5)
    far: NDArray[np.bool_] = np.any(power > np.maximum(_FAR_OFF, 2.0 * chance) * typical, axis=1)
    return far if np.count_nonzero(far) <= most_left_out(count) else none


def octaves(frequency_hz: FloatArray) -> NDArray[np.intp]:
    """Number of the octave that each frequency lies in, counted from 0, shape (n,)."""
    number: NDArray[np.intp] = np.floor(np.log2(frequency_hz / frequency_hz[0])).astype(np.intp)
    return number


def cut_out(samples: TwoInputs, passes: Passes, out: NDArray[np.bool_]) -> NDArray[np.float32]:
    """The recording without the blocks of some passes; it is joined in silence.

    Args:
        passes: Contained ones.
        out: True for those to cut out, shape (p,).
    """
    keep = np.ones(samples.shape[0], dtype=np.bool_)
    for one, drop in zip(passes.passes, out, strict=True):
        if drop:
            keep[one.begin : one.end] = False
    return samples[keep]


def without(stimulus: Stimulus, out: NDArray[np.bool_]) -> Stimulus:
    """Leave sweeps out of the excitation; only their number and lengths are looked at."""
    kept = tuple(one for one, drop in zip(stimulus.passes, out, strict=True) if not drop)
    return replace(stimulus, passes=kept)
