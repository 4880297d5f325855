"""The highest level that a bench plays, kept whatever asks for more."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from meas.audio.protocol import AudioPath, Capture, Progress
from meas.errors import Refused

_ROUNDING = 1e-6
"""Samples are single precision: a peak at the level itself may come out this much above it."""


@dataclass(frozen=True)
class LimitedPath:
    """An audio path that plays nothing louder than the rig says.

    Attributes:
        highest_level: Largest peak that may be played; full scale is 1.
    """

    path: AudioPath
    highest_level: float

    def play_and_record(
        self,
        output: NDArray[np.float32],
        sample_rate_hz: int,
        on_progress: Callable[[Progress], None] | None = None,
    ) -> Capture:
        """Play and record as `AudioPath` does, unless the signal is too loud.

        Raises:
            Refused: If a sample lies above the highest level (``too-loud``) or is no number;
                nothing has been played then.
            BenchFailure: As the path itself.
        """
        peak = float(np.max(np.abs(output), initial=0.0))
        if not peak <= self.highest_level * (1 + _ROUNDING):
            raise Refused.because(
                "too-loud",
                f"a peak of {peak:.3g} was to be played, and this rig allows "
                f"{self.highest_level:g} (level in the rig file); nothing was played",
            )
        return self.path.play_and_record(output, sample_rate_hz, on_progress)
