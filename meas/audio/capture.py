"""One capture, and what the audio path itself can tell about its soundness.

Flags are neither necessary nor sufficient for a lost block: some host interfaces hide them,
others invent them. So what is found here only adds to `meas.validity.judge`, which looks at the
recorded signal; and flags where no sweep was recorded are no finding at all. The start of a
recording that never arrived is such a case: the silence before the first sweep is there for it.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Sequence

import numpy as np
from numpy.typing import NDArray

from meas.audio.protocol import AudioPath, Capture, Progress
from meas.errors import Finding
from meas.excitation.stimulus import Stimulus

# What is played arrives later in the recording. Beyond the latency that the path states, sound
# servers and converters add some: 0.25 s was seen on a virtual card.
UNSTATED_LATENCY_SECONDS = 0.5
# Crystals agree to 1e-4. What is to be found here is a card that runs at 44.1 instead of 48 kHz
# (8 %); blocks of 0.1 s at both ends limit how well a short capture can tell.
CLOCK_TOLERANCE = 0.02
BLOCK_SECONDS = 0.2
FULL_SCALE = 0.999

_LOST = ("input-overflow", "input-underflow", "output-overflow", "output-underflow")


def acquire(
    path: AudioPath,
    stimulus: Stimulus,
    sample_rate_hz: int,
    on_progress: Callable[[Progress], None] | None = None,
) -> tuple[Capture, tuple[Finding, ...]]:
    """Play the excitation, record both inputs, and say what went wrong on the way.

    The capture comes back whatever happened after the stream started; whether numbers may be
    derived from it stands in the findings.

    Args:
        sample_rate_hz: Rate that the excitation was built for [Hz].

    Returns:
        The capture, untouched, and the findings: ``interrupted``, ``stream-failed``,
        ``dropout``, ``wrong-clock``.

    Raises:
        BenchFailure: If no stream could be opened or started at all.
    """
    capture = path.play_and_record(stimulus.samples, sample_rate_hz, on_progress)
    sweeps = [(sweep.start_frame, sweep.stop_frame) for sweep in stimulus.passes]
    found = [*_ended_early(capture, sweeps), *_dropouts(capture, sweeps)]
    # A computer that cannot keep up loses time as well: one reason is enough.
    return capture, tuple(found or _clock(capture))


def peak_levels(
    path: AudioPath,
    output: NDArray[np.float32],
    sample_rate_hz: int,
    on_progress: Callable[[Progress], None] | None = None,
) -> tuple[tuple[float, float], bool]:
    """Measure the largest magnitude at source and driver input for a short quiet signal.

    Args:
        output: The signal, such as the samples of a short `Stimulus` at a low level.

    Returns:
        Peaks, full scale 1, counted from the converter's offset (the median of the record); and
        whether any sample touched full scale.

    Raises:
        BenchFailure: If no stream could be opened or started.
    """
    samples = path.play_and_record(output, sample_rate_hz, on_progress).samples
    if samples.shape[0] == 0:
        return (0.0, 0.0), False
    clipped = bool(np.abs(samples).max() >= FULL_SCALE)
    peaks = np.abs(samples - np.median(samples, axis=0)).max(axis=0)
    return (float(peaks[0]), float(peaks[1])), clipped


def _latency_frames(capture: Capture) -> int:
    stated = sum(
        float(capture.path.get(name, 0.0)) for name in ("input_latency_s", "output_latency_s")
    )
    return round((stated + UNSTATED_LATENCY_SECONDS) * capture.sample_rate_hz)


def _ended_early(capture: Capture, sweeps: Sequence[tuple[int, int]]) -> list[Finding]:
    """The stream broke off or was stopped; only a lost tail is forgiven."""
    failure = str(capture.path.get("failure", ""))
    done, expected, rate = len(capture.samples), capture.frames_expected, capture.sample_rate_hz
    if done >= expected and not failure:
        return []
    complete = done >= sweeps[-1][1] + _latency_frames(capture)
    by_hand = any(event.kind == "interrupted" for event in capture.events) and not failure
    length = f"{done / rate:.1f} of {expected / rate:.1f} s were recorded"
    advice = "The sweeps are complete" if complete else "Take it again"
    if by_hand:
        return [Finding("interrupted", f"stopped by hand: {length}. {advice}", not complete)]
    reason = failure or "samples are missing at the end without a reason given"
    return [Finding("stream-failed", f"{reason}; {length}. {advice}", not complete)]


def _dropouts(capture: Capture, sweeps: Sequence[tuple[int, int]]) -> list[Finding]:
    """Lost blocks that the system reported while a sweep was on its way."""
    latency = _latency_frames(capture)
    hit = [
        event
        for event in capture.events
        if event.kind in _LOST and any(a <= event.frame < b + latency for a, b in sweeps)
    ]
    if not hit:
        return []
    first = hit[0].frame / capture.sample_rate_hz
    counts = Counter(event.kind for event in hit)
    words = (f"{counts[kind]} {kind.replace('-', ' ')}" for kind in _LOST if counts[kind])
    text = (
        f"the sound system reported {', '.join(words)} during the sweeps, first at {first:.2f} s. "
        "Close other programs, use a direct way to the card ('freeair rig devices') and repeat"
    )
    # Core Audio reports losses that did not happen (tracker of PortAudio); there the recorded
    # signal alone decides.
    believed = not str(capture.path.get("device", "")).startswith("Core Audio")
    return [Finding("dropout", text, believed, at_seconds=(first,))]


def _clock(capture: Capture) -> list[Finding]:
    """Frames against the computer's clock: every frequency is only as good as the rate."""
    measured = capture.path.get("measured_rate_hz")
    if measured is None:
        return []
    asked = capture.sample_rate_hz
    allowed = CLOCK_TOLERANCE + BLOCK_SECONDS * asked / len(capture.samples)
    off = float(measured) / asked - 1
    if abs(off) <= allowed:
        return []
    return [
        Finding(
            "wrong-clock",
            f"the card delivered {float(measured):.0f} samples a second by the computer's clock, "
            f"not {asked}: every frequency would be off by {abs(off):.1%}",
            refuses=True,
            next_step=(
                "Set the rate that the card runs at, use another way to it ('freeair rig "
                "devices'), or give the computer less to do"
            ),
        )
    ]
