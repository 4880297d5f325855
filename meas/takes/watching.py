"""Impedance near a resonance while hands work on the cone: the last period of a multisine."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from meas.bench.rig import Rig
from meas.correction.divider import from_ratio
from meas.curve import FloatArray, TwoInputs
from meas.excitation import multisine
from meas.excitation.stimulus import Stimulus

QUIET = 0.3
"""Share of the rig's level that is enough to watch by, and small beside what a take plays."""
_CYCLES = 20
"""Periods of the lowest frequency within one of the multisine: lines lie so much closer than it."""
_SECONDS = (0.25, 1.0)
_LATENCY_SECONDS = 0.3
"""What is played may arrive so much later: before that, silence would be part of the period."""
_LEAST = 1e-6
"""Half the least amplitude of a line that counts as heard, full scale being 1."""


@dataclass(frozen=True, eq=False)
class Seen:
    """Impedance at one moment.

    Attributes:
        frequency_hz: Lines of the multisine, increasing, shape (n,).
        magnitude_ohm: |Z| there over the last period, shape (n,).
        peak_hz: Frequency at which |Z| peaks [Hz]; None where it does so at an edge of the band.
        peak_ohm: |Z| there [ohm]; None likewise.
    """

    frequency_hz: FloatArray
    magnitude_ohm: FloatArray
    peak_hz: float | None
    peak_ohm: float | None


def excitation(rig: Rig, low_hz: float, high_hz: float, seconds: float) -> tuple[Rig, Stimulus]:
    """Build a quiet multisine over a band.

    Args:
        rig: The bench; it is driven at `QUIET` times its level.
        seconds: How long it plays, about [s].

    Returns:
        The bench as it is driven, and what to play.

    Raises:
        UsageError: If the band is empty at the rig's sample rate.
    """
    period = float(np.clip(_CYCLES / low_hz, *_SECONDS))
    drive = rig.drive.model_copy(
        update={
            "level": QUIET * rig.drive.level,
            "start_hz": low_hz,
            "stop_hz": high_hz,
            "period_seconds": period,
            "periods": max(1, round(seconds / period)),
        }
    )
    quiet = rig.model_copy(update={"drive": drive})
    return quiet, multisine.build(drive, rig.card.sample_rate_hz, rig.mains_hz)


def look(samples: TwoInputs, stimulus: Stimulus, rig: Rig) -> Seen | None:
    """Compute the impedance over the last period of what was recorded so far.

    The ratio of two periodic signals does not depend on where a period is cut out. Channels are
    taken as equal: what is watched is how the curve moves, not its last per cent.

    Args:
        samples: Source and driver input so far, shape (m, 2).

    Returns:
        None while no whole period after the first has been recorded, or too little is heard.
    """
    periodic = stimulus.periodic
    if periodic is None:
        return None
    rate, period = rig.card.sample_rate_hz, periodic.period_frames
    end = min(len(samples), periodic.first_frame + periodic.periods * period)
    if end < periodic.first_frame + period + round(_LATENCY_SECONDS * rate):
        return None
    block = samples[end - period : end].astype(np.float64)
    source, driver = np.fft.rfft(block, axis=0)[periodic.excited].T
    if np.min(np.abs(source)) < _LEAST * period:
        return None
    frequency = np.asarray(periodic.excited * (rate / period), dtype=np.float64)
    impedance, _ = from_ratio(driver / source, np.zeros(frequency.size), rig.wiring)
    magnitude = np.asarray(np.abs(impedance), dtype=np.float64)
    return Seen(frequency, magnitude, *_peak(frequency, magnitude))


def _peak(frequency_hz: FloatArray, magnitude_ohm: FloatArray) -> tuple[float | None, float | None]:
    """Top of the parabola through the greatest point and its neighbours, in logarithms."""
    top = int(np.argmax(magnitude_ohm))
    if top in (0, magnitude_ohm.size - 1):
        return None, None
    x, y = np.log(frequency_hz[top - 1 : top + 2]), np.log(magnitude_ohm[top - 1 : top + 2])
    bend, slope, height = np.polyfit(x - x[1], y, 2)
    if bend >= 0:
        return float(frequency_hz[top]), float(magnitude_ohm[top])
    at = -slope / (2 * bend)
    return float(np.exp(x[1] + at)), float(np.exp(height + slope * at / 2))
