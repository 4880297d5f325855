"""Periodic multisine: odd lines spaced about evenly in log frequency, some left out.

Even lines and the odd ones left out carry nothing but what noise and distortion put there, so
that one record tells the two apart (R. Pintelon, J. Schoukens, System Identification, 2nd ed.,
Wiley/IEEE 2012, section 4.3). The period is chosen so that the mains does not repeat with it:
hum then differs from period to period, shows as noise, and averages out.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy import fft

from meas.bench.rig import Drive
from meas.curve import FloatArray
from meas.excitation.stimulus import (
    FADE_SECONDS,
    Periodic,
    Stimulus,
    band,
    between_silences,
    gentle_gain,
)

LINES_PER_OCTAVE = 40
# A period is this much more than whole periods of the mains: 2 minus the golden ratio, the share
# that stays farthest from repeating in its multiples, which are the harmonics of the mains.
_OFF_MAINS = 0.381966
_ONE_LEFT_OUT_OF = 4
_SEED = 1
_SWAPS = 60


def build(drive: Drive, sample_rate_hz: int, mains_hz: float) -> Stimulus:
    """Build silence, one period to settle, the periods that count, silence.

    Args:
        drive: Level (peak), band, ``period_seconds``, ``periods``, ``woofer``.
        mains_hz: Mains frequency to stay clear of [Hz].

    Returns:
        The excitation; the same for the same arguments.

    Raises:
        UsageError: If the band is empty at this sample rate.
    """
    start_hz, stop_hz = band(drive, sample_rate_hz)
    length = round(period_seconds(drive.period_seconds, mains_hz) * sample_rate_hz)
    spacing = sample_rate_hz / length
    excited, left_out = choose_lines(start_hz, stop_hz, spacing)
    amplitude = gentle_gain(drive, (excited * spacing).astype(np.float64))
    phase = low_crest_phases(excited, amplitude, length)
    wave = synthesise(excited, amplitude, phase, length)
    crest = float(np.max(np.abs(wave)) / np.sqrt(np.mean(wave**2)))
    wave *= drive.level / np.max(np.abs(wave))
    # The drive fades out after the last period that counts.
    after = wave[: round(FADE_SECONDS * sample_rate_hz)]
    played = np.concatenate([np.tile(wave, drive.periods + 1), after])
    samples, drive_on = between_silences(played, drive, sample_rate_hz)
    even = excited + np.where(excited * spacing < stop_hz, 1, -1)
    first = drive_on.start_frame + length
    periodic = Periodic(first, length, drive.periods, excited, left_out, even, crest)
    return Stimulus(samples, (drive_on,), start_hz, stop_hz, 0.0, periodic=periodic)


def period_seconds(wanted_seconds: float, mains_hz: float) -> float:
    """The period next to the one wanted in which the mains turns by a part of golden ratio [s]."""
    return (max(0, round(wanted_seconds * mains_hz - _OFF_MAINS)) + _OFF_MAINS) / mains_hz


def choose_lines(
    start_hz: float, stop_hz: float, spacing_hz: float
) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """Odd lines about evenly spaced in log frequency.

    Args:
        spacing_hz: Spacing of the lines, one over the period [Hz].

    Returns:
        Excited lines, and those left out: one at random of every four, never the outermost.
    """
    octaves = np.log2(stop_hz / start_hz)
    grid = start_hz * 2.0 ** np.linspace(0.0, octaves, 1 + round(octaves * LINES_PER_OCTAVE))
    odd = np.unique(2 * np.floor(grid / spacing_hz / 2.0).astype(np.intp) + 1)
    odd = odd[(odd * spacing_hz >= start_hz * (1 - 1e-9)) & (odd * spacing_hz <= stop_hz)]
    random = np.random.default_rng(_SEED)
    groups = np.arange(1, odd.size - _ONE_LEFT_OUT_OF, _ONE_LEFT_OUT_OF)
    out = groups + random.integers(0, _ONE_LEFT_OUT_OF, groups.size)
    return np.delete(odd, out), odd[out]


def low_crest_phases(lines: NDArray[np.intp], amplitude: FloatArray, length: int) -> FloatArray:
    """Phases that keep the peak low, by clipping and restoring the amplitudes in turn [rad].

    E. van der Ouderaa, J. Schoukens, J. Renneboog, IEEE Trans. Instrum. Meas. 37(1), 1988
    (swapping between time and frequency; from memory), clipped at the rms value. It starts from
    random phases: those of M. Schroeder (IEEE Trans. Inf. Theory 16, 1970) are made for lines
    that are evenly spaced and end a little higher here.

    Args:
        lines: Line numbers, increasing, shape (k,).
        amplitude: Amplitudes of the lines, shape (k,).
        length: Length of a period [frames].

    Returns:
        Phases, shape (k,); deterministic.
    """
    phase = np.random.default_rng(_SEED).uniform(0.0, 2.0 * np.pi, lines.size)
    best, lowest = phase, np.inf
    rms = float(np.sqrt(np.sum(amplitude**2) / 2.0))
    for _ in range(_SWAPS):
        wave = synthesise(lines, amplitude, phase, length)
        peak = float(np.max(np.abs(wave)))
        if peak < lowest:
            best, lowest = phase, peak
        phase = np.angle(fft.rfft(np.clip(wave, -rms, rms))[lines])
    return best


def synthesise(
    lines: NDArray[np.intp], amplitude: FloatArray, phase: FloatArray, length: int
) -> FloatArray:
    """One period of the sum of cosines, shape (length,)."""
    spectrum = np.zeros(length // 2 + 1, dtype=np.complex128)
    spectrum[lines] = amplitude * np.exp(1j * phase)
    wave: FloatArray = fft.irfft(spectrum, length) * (length / 2.0)
    return wave
