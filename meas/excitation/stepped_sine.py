"""Stepped sine: one tone after the other, gliding from each to the next.

A jump of frequency would excite everything in between for a moment, which the checks of the
recording could not tell from a lost frame; and what a glide excites dies away sooner.
"""

from __future__ import annotations

import numpy as np

from meas.bench.rig import Drive
from meas.excitation.stimulus import (
    FADE_SECONDS,
    Stimulus,
    Tone,
    band,
    between_silences,
    gentle_gain,
    silences,
)

TONES_PER_OCTAVE = 16
# A change of tone rings on as exp(-pi n/Q) after n periods: after six, Q of 5 leaves 2 % of a
# change that is itself some per cents of a change made slowly, and the taper of the fit starts
# from nothing.
_SETTLING_PERIODS = 10.0
_SETTLING_SECONDS = 0.12
_GLIDING_SHARE = 0.4
_FEWEST_PERIODS = 12.0


def build(drive: Drive, sample_rate_hz: int) -> Stimulus:
    """Build silence, rising tones, silence.

    Args:
        drive: Level (peak), band, ``tone_seconds``, ``woofer``.

    Returns:
        The excitation, 16 tones to the octave. A tone is listened to for ``tone_seconds`` or
        twelve of its periods, whichever is longer, after ten periods (0.12 s at least) to settle.

    Raises:
        UsageError: If the band is empty at this sample rate.
    """
    start_hz, stop_hz = band(drive, sample_rate_hz)
    octaves = np.log2(stop_hz / start_hz)
    grid = start_hz * 2.0 ** np.linspace(0, octaves, 2 + int(octaves * TONES_PER_OCTAVE))
    tones, stretches = [], []
    frame, before = silences(drive, sample_rate_hz)[0], float(grid[0])
    for hz in grid:
        settling = round(max(_SETTLING_SECONDS, _SETTLING_PERIODS / hz) * sample_rate_hz)
        heard = round(max(drive.tone_seconds, _FEWEST_PERIODS / hz) * sample_rate_hz)
        tones.append(Tone(float(hz), frame + settling, frame + settling + heard))
        frame += settling + heard
        gliding = round(_GLIDING_SHARE * settling)
        way = 0.5 - 0.5 * np.cos(np.pi * (np.arange(gliding) + 0.5) / gliding)
        stretches += [before * (hz / before) ** way, np.full(settling + heard - gliding, hz)]
        before = float(hz)
    frequency = np.concatenate([*stretches, np.full(round(FADE_SECONDS * sample_rate_hz), before)])
    gain = drive.level * gentle_gain(drive, frequency)
    wave = gain * np.sin(2.0 * np.pi * np.cumsum(frequency) / sample_rate_hz)
    samples, drive_on = between_silences(wave, drive, sample_rate_hz)
    return Stimulus(samples, (drive_on,), start_hz, stop_hz, 0.0, tones=tuple(tones))
