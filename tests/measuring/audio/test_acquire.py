"""Findings from what an audio path reports about itself."""

from collections.abc import Callable, Mapping, Sequence

import numpy as np
import pytest

from meas.audio.capture import acquire, peak_levels
from meas.audio.protocol import Capture, Progress, StreamEvent
from meas.audio.simulated_bench import SimulatedBench
from meas.bench.rig import Drive, Wiring
from meas.bench.simulated_settings import SimulatedSettings
from meas.errors import Finding
from meas.excitation.stimulus import build

RATE = 48000
STIMULUS = build(Drive(sweep_seconds=0.5, gap_seconds=0.3), RATE)
TOTAL = STIMULUS.samples.size
FIRST, LAST = STIMULUS.passes[0], STIMULUS.passes[-1]


class Reporting:
    """An audio path that returns the capture it was told to."""

    def __init__(
        self,
        frames: int = TOTAL,
        events: Sequence[StreamEvent] = (),
        path: Mapping[str, str | float] | None = None,
    ) -> None:
        self._frames = frames
        self._events = tuple(events)
        self._path = {"device": "ALSA: bench", "measured_rate_hz": float(RATE), **(path or {})}

    def play_and_record(
        self,
        output: np.ndarray,
        sample_rate_hz: int,
        on_progress: Callable[[Progress], None] | None = None,
    ) -> Capture:
        samples = np.zeros((self._frames, 2), np.float32)
        return Capture(samples, sample_rate_hz, output.size, self._events, self._path)


def findings(**told: object) -> tuple[Finding, ...]:
    return acquire(Reporting(**told), STIMULUS, RATE)[1]


def only(found: tuple[Finding, ...]) -> tuple[str, bool]:
    assert len(found) == 1, found
    return found[0].code, found[0].refuses


def test_a_sound_capture_has_no_findings() -> None:
    assert findings() == ()
    bench = SimulatedBench(SimulatedSettings(), Wiring(series_resistor_ohm=10.0))
    capture, found = acquire(bench, STIMULUS, RATE)
    assert found == () and len(capture.samples) == TOTAL


@pytest.mark.parametrize("kind", ["input-overflow", "input-underflow", "output-underflow"])
def test_a_lost_block_in_a_sweep_refuses(kind: str) -> None:
    middle = (FIRST.start_frame + FIRST.stop_frame) // 2
    found = findings(events=[StreamEvent(middle, kind), StreamEvent(middle + 512, kind)])
    assert only(found) == ("dropout", True)
    assert f"2 {kind.replace('-', ' ')}" in found[0].text
    assert f"{middle / RATE:.2f} s" in found[0].text


def test_a_flag_is_believed_late_because_the_sweep_arrives_late() -> None:
    late = StreamEvent(LAST.stop_frame + round(0.2 * RATE), "input-overflow")
    assert only(findings(events=[late])) == ("dropout", True)


@pytest.mark.parametrize(
    "event",
    [
        StreamEvent(0, "priming"),
        StreamEvent(0, "input-underflow"),
        StreamEvent(FIRST.start_frame - 1, "input-overflow"),
        StreamEvent(TOTAL - 10, "output-underflow"),
        StreamEvent(FIRST.start_frame + 10, "priming"),
    ],
)
def test_flags_outside_the_sweeps_are_harmless(event: StreamEvent) -> None:
    assert findings(events=[event]) == ()


def test_flags_of_a_host_that_invents_them_do_not_refuse() -> None:
    events = [StreamEvent(FIRST.start_frame + 10, "input-overflow")]
    found = findings(events=events, path={"device": "Core Audio: bench"})
    assert only(found) == ("dropout", False)


def test_stopped_by_hand() -> None:
    frames = FIRST.stop_frame
    found = findings(frames=frames, events=[StreamEvent(frames, "interrupted")])
    assert only(found) == ("interrupted", True)
    assert f"{frames / RATE:.1f} of {TOTAL / RATE:.1f} s" in found[0].text


def test_stopped_by_hand_after_the_last_sweep_loses_nothing() -> None:
    frames = TOTAL - RATE // 10
    found = findings(frames=frames, events=[StreamEvent(frames, "interrupted")])
    assert only(found) == ("interrupted", False)


def test_nothing_recorded_at_all() -> None:
    assert only(findings(frames=0, events=[StreamEvent(0, "interrupted")])) == ("interrupted", True)


def test_a_broken_stream_says_why() -> None:
    found = findings(
        frames=1000,
        events=[StreamEvent(1000, "interrupted")],
        path={"failure": "the stream ended by itself after 0.0 of 4.0 s"},
    )
    assert only(found) == ("stream-failed", True)
    assert "ended by itself" in found[0].text and "again" in found[0].text


def test_missing_frames_without_a_reason_are_not_overlooked() -> None:
    assert only(findings(frames=LAST.start_frame)) == ("stream-failed", True)


@pytest.mark.parametrize("rate", [44100.0, 96000.0, 44100 * 1.005])
def test_a_card_that_runs_at_another_rate_refuses(rate: float) -> None:
    found = findings(path={"measured_rate_hz": rate})
    assert only(found) == ("wrong-clock", True)
    assert f"{rate:.0f}" in found[0].text and "48000" in found[0].text


def test_lost_blocks_explain_lost_time() -> None:
    events = [StreamEvent(FIRST.start_frame + 10, "input-overflow")]
    assert only(findings(events=events, path={"measured_rate_hz": 30000.0})) == ("dropout", True)


@pytest.mark.parametrize("rate", [48000 * 1.0002, 47800.0])
def test_crystals_and_bursts_of_blocks_do_not(rate: float) -> None:
    assert findings(path={"measured_rate_hz": rate}) == ()


def test_peak_levels() -> None:
    true = SimulatedSettings(amplifier_output_ohm=0.0, input_volt_full_scale=1.6)
    bench = SimulatedBench(true, Wiring(series_resistor_ohm=10.0), standard=10.0)
    tone = (0.5 * np.sin(2 * np.pi * 100 * np.arange(RATE) / RATE)).astype(np.float32)
    # 0.5 of 1.4 V behind no resistance, half of it at the driver input, read at 1.6 V full scale;
    # noise of 20 uV.
    (source, driver), clipped = peak_levels(bench, tone, RATE)
    assert source == pytest.approx(0.5 * 1.4 / 1.6, rel=1e-3)
    assert driver == pytest.approx(0.25 * 1.4 / 1.6, rel=1e-3)
    assert not clipped
    loud = SimulatedSettings(amplifier_volt_full_scale=5.0)
    assert peak_levels(SimulatedBench(loud, Wiring(series_resistor_ohm=10.0)), tone, RATE)[1]
