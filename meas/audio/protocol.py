"""The seam to the outside world: anything that plays a signal and records two inputs.

Implementations: `meas.audio.soundcard.SoundCard` (PortAudio) and
`meas.audio.simulated_bench.SimulatedBench`. Both pass the same contract suite,
tests/measuring/audio/test_audio_contract.py.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from meas.curve import TwoInputs


@dataclass(frozen=True)
class StreamEvent:
    """One irregularity that the audio path itself reported.

    Attributes:
        frame: Recorded frame at which it was reported.
        kind: ``input-overflow``, ``input-underflow``, ``output-overflow``, ``output-underflow``,
            ``priming`` or ``interrupted``.
    """

    frame: int
    kind: str


@dataclass(frozen=True, eq=False)
class Progress:
    """State of a running capture, reported to a listener some twelve times a second.

    Attributes:
        peak: Largest magnitude so far at the source and at the driver input; full scale is 1.
        level: The same since the last report.
        samples: Source and driver input recorded so far, a view, shape (frames_done, 2); None
            where the path keeps them to itself.
    """

    frames_done: int
    frames_total: int
    peak: tuple[float, float]
    level: tuple[float, float] = (0.0, 0.0)
    samples: TwoInputs | None = None

    @classmethod
    def so_far(cls, recorded: TwoInputs, done: int, earlier: Progress | None) -> Progress:
        """Describe a capture in an array of its final length, after an earlier report."""
        newest = recorded[0 if earlier is None else earlier.frames_done : done]
        source, driver = (float(size) for size in np.abs(newest).max(axis=0))
        before = (0.0, 0.0) if earlier is None else earlier.peak
        peak = (max(source, before[0]), max(driver, before[1]))
        return cls(done, len(recorded), peak, (source, driver), recorded[:done])


@dataclass(frozen=True, eq=False)
class Capture:
    """Samples of two inputs as recorded, untouched.

    Attributes:
        samples: Source input and driver input, full scale 1, shape (n, 2), float32.
        sample_rate_hz: Rate in fact used [Hz].
        frames_expected: Frames asked for; more than n when the capture was cut short.
        events: Every irregularity reported, in order of frames.
        path: What recorded it: device, host interface, latency, versions; for the take's record.
    """

    samples: TwoInputs
    sample_rate_hz: int
    frames_expected: int
    events: tuple[StreamEvent, ...] = ()
    path: Mapping[str, str | float] = field(default_factory=dict)


class AudioPath(Protocol):
    """Plays one signal and records two inputs on one clock."""

    def play_and_record(
        self,
        output: NDArray[np.float32],
        sample_rate_hz: int,
        on_progress: Callable[[Progress], None] | None = None,
    ) -> Capture:
        """Play ``output`` and record both inputs for as long.

        Args:
            output: Signal for the output, full scale 1, shape (n,).
            sample_rate_hz: Rate asked for [Hz].
            on_progress: Told now and then how far it is; never from a real-time thread.

        Returns:
            The capture; after Ctrl-C or a failing stream what was recorded until then, with an
            event of kind ``interrupted``.

        Raises:
            BenchFailure: If no stream could be opened or started at all.
        """
        ...
