"""Choice of the excitation that a rig asks for, and its place in a recording."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy import fft

from meas.bench.rig import Rig
from meas.curve import FloatArray
from meas.excitation import multisine, stepped_sine, stimulus
from meas.excitation.stimulus import Stimulus

_LONGEST_LAG_SECONDS = 2.0


def build(rig: Rig) -> Stimulus:
    """Build the excitation that a rig asks for at its sample rate.

    Raises:
        UsageError: If the band is empty at this sample rate.
    """
    rate = rig.card.sample_rate_hz
    if rig.drive.excitation == "multisine":
        return multisine.build(rig.drive, rate, rig.mains_hz)
    if rig.drive.excitation == "stepped":
        return stepped_sine.build(rig.drive, rate)
    return stimulus.build(rig.drive, rate)


def lag_frames(
    played: NDArray[np.float32], recorded: NDArray[np.float32], sample_rate_hz: int
) -> int:
    """Delay of a signal in a recording against what was played, within 2 s [frames].

    Args:
        played: What was played, shape (n,).
        recorded: One input, shape (m,).

    Returns:
        Lag of the largest cross-correlation, whatever the polarity; negative when the start of
        the recording is missing.
    """
    size = fft.next_fast_len(played.size + recorded.size, real=True)
    spectrum = fft.rfft(played, size).conj() * fft.rfft(recorded - np.mean(recorded), size)
    match: FloatArray = np.abs(fft.irfft(spectrum, size)).astype(np.float64)
    reach = min(round(_LONGEST_LAG_SECONDS * sample_rate_hz), size // 2 - 1)
    late, early = match[: reach + 1], match[-reach:]
    if late.max() >= early.max():
        return int(np.argmax(late))
    return int(np.argmax(early) - reach)
