"""What every audio path must do, on all there are.

The real-time card can lose a block on a loaded machine (that is a fault of the machine, and for
`meas.audio.capture` and the validity criteria to find); where only a whole record can be judged,
the capture is repeated up to three times, as its user would.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import pytest
from virtual_card import VirtualCard

from meas.audio.protocol import AudioPath, Capture, Progress
from meas.audio.simulated_bench import SimulatedBench
from meas.audio.soundcard import SoundCard
from meas.bench.rig import Drive, Wiring
from meas.bench.simulated_settings import SimulatedSettings
from meas.excitation.stimulus import build

RATE = 48000


@dataclass(frozen=True)
class Subject:
    """An audio path with what is truly connected to it."""

    path: AudioPath
    ratio: Callable[[np.ndarray], np.ndarray]
    noise: float
    attempts: int


def simulated() -> Subject:
    bench = SimulatedBench(
        SimulatedSettings(driver_input_gain=1.03, noise_volt_rms=16e-6),
        Wiring(series_resistor_ohm=10.0),
    )

    def ratio(frequency_hz: np.ndarray) -> np.ndarray:
        source, second = bench.node_voltages(frequency_hz)
        return 1.03 * second / source

    return Subject(bench, ratio, 1e-5, attempts=1)


@pytest.fixture(params=["simulated", pytest.param("card", marks=pytest.mark.virtual_card)])
def subject(request: pytest.FixtureRequest) -> Subject:
    if request.param == "simulated":
        return simulated()
    card: VirtualCard = request.getfixturevalue("virtual_card")
    return Subject(SoundCard(), card.world.ratio, card.world.noise, attempts=3)


def excitation() -> np.ndarray:
    drive = Drive(level=0.5, sweep_seconds=0.6, gap_seconds=0.3, woofer=True)
    return build(drive, RATE).samples


def worst_error(capture: Capture, subject: Subject) -> float:
    """Largest relative error of the ratio, smoothed over 20 bins, 20 Hz to 15 kHz."""
    spectra = np.fft.rfft(capture.samples.astype(float), axis=0)
    frequency = np.fft.rfftfreq(len(capture.samples), 1 / capture.sample_rate_hz)
    truth = subject.ratio(np.maximum(frequency, 1.0))
    inside = (frequency > 20) & (frequency < 15000)
    # Least squares for a common factor over 20 neighbours: cross over auto spectra, truth out.
    cross = np.conj(spectra[:, 0]) * spectra[:, 1] / truth
    kernel = np.ones(20)
    factor = np.convolve(cross, kernel, "same") / np.convolve(
        np.abs(spectra[:, 0]) ** 2, kernel, "same"
    )
    return float(np.abs(factor - 1)[inside].max())


def test_both_inputs_are_recorded_in_order_and_true(subject: Subject) -> None:
    output = excitation()
    kept = output.copy()
    errors = []
    for _ in range(subject.attempts):
        capture = subject.path.play_and_record(output, RATE)
        assert capture.samples.shape == (output.size, 2)
        assert capture.samples.dtype == np.float32
        assert capture.sample_rate_hz == RATE and capture.frames_expected == output.size
        assert capture.path["device"]
        errors.append(worst_error(capture, subject))
        if errors[-1] < 1e-3:
            break
    np.testing.assert_array_equal(output, kept)
    # Noise of 1e-5 against a sweep of 0.5: below 1e-3 in a bin (measured 5e-4 at most).
    assert min(errors) < 1e-3, errors


def test_silence_stays_silence(subject: Subject) -> None:
    capture = subject.path.play_and_record(np.zeros(RATE, np.float32), RATE)
    # Five standard deviations of the worst of 1e5 normal samples, and the step of 24 bits.
    assert np.abs(capture.samples).max() < 6 * subject.noise
    assert capture.samples[RATE // 2 :].std() > subject.noise / 2


def test_progress_runs_to_the_end_with_the_peaks(subject: Subject) -> None:
    seen: list[Progress] = []
    capture = subject.path.play_and_record(excitation(), RATE, seen.append)
    done = [progress.frames_done for progress in seen]
    assert done == sorted(set(done)) and done[-1] == capture.frames_expected
    assert len(seen) > 3
    assert all(progress.frames_total == capture.frames_expected for progress in seen)
    np.testing.assert_allclose(seen[-1].peak, np.abs(capture.samples).max(axis=0), rtol=1e-6)
    assert all(a.peak <= b.peak for a, b in pairwise(seen))


def test_ctrl_c_keeps_what_was_recorded(subject: Subject) -> None:
    def pressed(progress: Progress) -> None:
        if progress.frames_done > 0.3 * progress.frames_total:
            raise KeyboardInterrupt

    capture = subject.path.play_and_record(excitation(), RATE, pressed)
    assert 0.3 < len(capture.samples) / capture.frames_expected < 0.9
    assert capture.events[-1].kind == "interrupted"
    assert capture.events[-1].frame == len(capture.samples)


@pytest.mark.parametrize(
    "output",
    [np.zeros((9, 2), np.float32), np.zeros(0, np.float32), np.full(9, np.nan, np.float32)],
)
def test_what_cannot_be_played_is_refused(output: np.ndarray) -> None:
    for path in (simulated().path, SoundCard()):
        with pytest.raises(ValueError, match="output"):
            path.play_and_record(output, RATE)
