"""The order and corner that keep a tweeter's resonance out of reach."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from fit.crossover.ladder import solve_ladder
from fit.crossover.load import Load
from fit.crossover.textbook import BranchAim, design
from meas.curve import FloatArray

_RAISED = (1.0, 1.25, 1.6, 2.0, 2.5, 3.15)
"""Corners to try, times the one there is: tenths of a decade (ISO 266)."""


@dataclass(frozen=True)
class Protection:
    """A branch that keeps low frequencies away from a tweeter.

    Attributes:
        order: 1 or 2.
        crossover_hz: Corner [Hz].
        down_db: Level at the resonance re the largest of the branch [dB].
    """

    order: int
    crossover_hz: float
    down_db: float


def protection(
    load: Load, resonance_hz: float, corner_hz: float, wanted_db: float, frequency_hz: FloatArray
) -> Protection | None:
    """Find the mildest standard branch that is far enough down at the resonance.

    A steeper branch at the same corner comes before a higher corner. None where nothing suffices.

    Args:
        resonance_hz: Resonance of the tweeter [Hz].
        corner_hz: Corner of the branch that is not enough [Hz].
        wanted_db: Level at the resonance re the largest, below zero [dB].
        frequency_hz: Frequencies to look at [Hz], shape (n,).
    """
    at = int(np.argmin(np.abs(np.log(frequency_hz / resonance_hz))))
    for ratio in _RAISED:
        hz = _two_digits(corner_hz * ratio)
        if not load.band_hz[0] <= hz <= load.band_hz[1]:
            continue
        for order in (1, 2):
            arms, _ = design(BranchAim(False, hz, order), load)
            ladder = [arm.arm for arm in arms]
            solved = solve_ladder(frequency_hz, ladder, load.impedance(frequency_hz))
            level = 20 * np.log10(np.abs(solved.transfer))
            down = float(level[at] - np.max(level))
            if down <= wanted_db:
                return Protection(order, hz, down)
    return None


def _two_digits(hz: float) -> float:
    """Round a corner to two digits."""
    step = 10.0 ** (math.floor(math.log10(hz)) - 1)
    return float(round(hz / step) * step)
