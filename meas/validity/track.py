"""Relation between both inputs over time, in short blocks."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from meas.curve import FloatArray, TwoInputs
from meas.transfer.passes import Passes
from meas.validity.relation import Relation, SignalArray

BLOCK_SECONDS = 0.02
# A block of 20 ms is less than a period of the lowest frequencies, where harmonics would pass for
# gain and phase: the regression runs over five blocks at a time.
BLOCKS_TOGETHER = 5
# At the ends of a record that cuts into the excitation, the filter's past is missing.
_UNKNOWN_PAST_SECONDS = 0.5
# Blocks weaker than this against the strongest hold the fades, not the excitation; a drive held
# at a tenth of its level for the sake of a tweeter stays inside.
_LEAST_LEVEL = 0.02
_ABOVE_EDGE = 1.5
_RINGING_SECONDS = 0.1


@dataclass(frozen=True, eq=False)
class Track:
    """One row per block of 20 ms; all arrays have shape (blocks,).

    Gain, phase and remainder are those of the 0.1 s around.

    Attributes:
        time_s: Middle of the block [s].
        frequency_hz: Mean frequency of the predicted driver input [Hz], power-weighted rms.
        level: Rms of the predicted driver input, full scale 1.
        gain: Driver input over prediction, in phase, less 1.
        phase: The same in quadrature [rad]; positive leads.
        unexplained: Rms of the driver input that no gain and no phase of the prediction explains.
        driven: Where the block holds enough drive for gain and phase to mean anything.
        frames: That gain, phase and remainder rest on.
    """

    time_s: FloatArray
    frequency_hz: FloatArray
    level: FloatArray
    gain: FloatArray
    phase: FloatArray
    unexplained: FloatArray
    driven: NDArray[np.bool_]
    frames: int


def track(relation: Relation, passes: Passes) -> Track:
    """Regress the residual on the prediction and its quadrature, block by block.

    Returns:
        Gain, phase and remainder over time.
    """
    rate = relation.sample_rate_hz
    length = max(8, round(BLOCK_SECONDS * rate))
    count = relation.predicted.size // length

    def blocks(signal: SignalArray) -> SignalArray:
        return signal[: count * length].reshape(count, length)

    together = np.ones(min(BLOCKS_TOGETHER, count))

    def product(one: SignalArray, other: SignalArray) -> FloatArray:
        total: FloatArray = np.einsum("ij,ij->i", one, other, dtype=np.float64)
        return total

    def summed(products: FloatArray) -> FloatArray:
        total: FloatArray = np.convolve(products, together, "same")
        return total

    along, across = blocks(relation.predicted), blocks(relation.quadrature)
    rest = blocks(relation.residual)
    aa, cc, ac = product(along, along), product(across, across), product(along, across)
    ar, cr, rr = product(along, rest), product(across, rest), product(rest, rest)
    step = np.diff(along, axis=1)
    sine = np.sqrt(product(step, step) / np.maximum(aa, 1e-30)) / 2.0

    level = np.sqrt(aa / length)
    aa, cc, ac, ar, cr, rr = (summed(one) for one in (aa, cc, ac, ar, cr, rr))
    determinant = aa * cc - ac**2
    driven = (level > _LEAST_LEVEL * level.max(initial=0.0)) & (determinant > 0.05 * aa * cc)
    # At the lower edge of the band the prediction has lost what lies below, and less than half a
    # period tells no gain from an offset.
    lowest_hz = max(_ABOVE_EDGE * relation.band_hz[0], 0.5 / (BLOCKS_TOGETHER * BLOCK_SECONDS))
    driven &= rate / np.pi * sine > lowest_hz
    middle = (np.arange(count) + 0.5) * length
    within = np.zeros(count, dtype=np.bool_)
    for one in passes.passes:
        within |= (middle > one.start) & (middle < one.stop + _RINGING_SECONDS * rate)
    driven &= within
    if not passes.contained:
        lost = min(round(_UNKNOWN_PAST_SECONDS * rate / length), count // 5)
        driven[:lost] = driven[count - lost :] = False
    safe = np.where(driven, determinant, 1.0)
    gain = np.where(driven, (cc * ar - ac * cr) / safe, 0.0)
    phase = np.where(driven, (aa * cr - ac * ar) / safe, 0.0)
    spent = np.convolve(np.ones(count), together, "same") * length
    unexplained = np.sqrt(np.maximum(rr - gain * ar - phase * cr, 0.0) / spent)
    return Track(
        time_s=middle / rate,
        frequency_hz=rate / np.pi * np.arcsin(np.minimum(sine, 1.0)),
        level=level,
        gain=gain,
        phase=phase,
        unexplained=unexplained,
        driven=driven,
        frames=length * together.size,
    )


def swept_band(
    samples: TwoInputs, sample_rate_hz: int, passes: Passes
) -> tuple[float, float] | None:
    """Lowest and highest frequency that a sweep really dwelt on [Hz]; None without a sweep.

    The fades at its ends leak far beyond in the spectrum, enough for a ratio in quiet
    surroundings, but a resonance out there was rung and not swept. The mean frequency of the
    source input is taken over 0.1 s at a time, the noise of the silences taken out. It hardly moves
    for noise and multisines; where it spans less than an octave, nothing was swept.
    """
    length = max(8, round(BLOCK_SECONDS * BLOCKS_TOGETHER * sample_rate_hz))
    source = samples[:, 0] - np.float32(np.mean(samples[:, 0], dtype=np.float64))

    def powers(signal: SignalArray) -> tuple[FloatArray, FloatArray]:
        rows = signal[: signal.size // length * length].reshape(-1, length)
        step = np.diff(rows, axis=1)
        return (
            np.einsum("ij,ij->i", rows, rows, dtype=np.float64) / length,
            np.einsum("ij,ij->i", step, step, dtype=np.float64) / (length - 1),
        )

    quiet = [powers(source[begin:end]) for begin, end in passes.silences]
    noise, noise_step = (
        float(np.median(np.concatenate([one[part] for one in quiet]))) if quiet else 0.0
        for part in (0, 1)
    )
    found: list[FloatArray] = []
    loudest = 0.0
    for one in passes.passes:
        level, step = powers(source[one.start + length // 2 : one.stop - length // 2])
        level, step = np.maximum(level - noise, 1e-30), np.maximum(step - noise_step, 0.0)
        loudest = max(loudest, float(level.max(initial=0.0)))
        found.append(np.stack([level, np.sqrt(step / level) / 2.0]))
    level, sine = np.concatenate(found, axis=1)
    sine = sine[level > _LEAST_LEVEL**2 * loudest]
    if not sine.size:
        return None
    low, high = sample_rate_hz / np.pi * np.arcsin(np.minimum([sine.min(), sine.max()], 1.0))
    return (float(low), float(high)) if high > 2.0 * low else None
