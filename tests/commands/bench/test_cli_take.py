"""A take that is interrupted or fails half-way: what was recorded is kept, nothing is claimed."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile
from invoked import Invoke

from cli.bench import audio_path
from cli.terminal import progress
from meas.audio.protocol import Capture, Progress, StreamEvent
from meas.audio.simulated_bench import SimulatedBench
from meas.errors import BenchFailure, Finding

RATE = 48000


class CutShort:
    """An audio path that stops after some seconds, as Ctrl-C or a pulled plug makes it."""

    def __init__(self, whole: SimulatedBench, seconds: float, failure: str = "") -> None:
        self._whole = whole
        self._frames = round(seconds * RATE)
        self._failure = failure

    def play_and_record(
        self,
        output: np.ndarray,
        sample_rate_hz: int,
        on_progress: Callable[[Progress], None] | None = None,
    ) -> Capture:
        capture = self._whole.play_and_record(output, sample_rate_hz, on_progress)
        kind = "input-overflow" if self._failure else "interrupted"
        return Capture(
            capture.samples[: self._frames],
            sample_rate_hz,
            capture.frames_expected,
            (StreamEvent(self._frames, kind),),
            {**capture.path, "failure": self._failure} if self._failure else capture.path,
        )


class Dead:
    """An audio path that cannot even be opened."""

    def play_and_record(self, *_: Any, **__: Any) -> Capture:
        raise BenchFailure(
            [Finding("device-busy", "the device is in use", refuses=True)], where="ALSA: card"
        )


@pytest.fixture
def rig(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> Path:
    path = tmp_path / "bench.toml"
    words = ("--device", "simulated", "--woofer", "--sweep-seconds", "2")
    assert Invoke(capsys)("rig", "new", path, "--series-resistor", "10ohm", *words).status == 0
    return path


def replaced(monkeypatch: pytest.MonkeyPatch, wrap: Callable[[Any], Any]) -> None:
    real = audio_path.open_path
    monkeypatch.setattr(audio_path, "open_path", lambda rig, **named: wrap(real(rig, **named)))


@pytest.mark.parametrize("seconds", [0.0, 0.1, 1.5])
@pytest.mark.parametrize("failure", ["", "the device was unplugged"])
def test_broken_off_capture_is_kept_and_refused(
    seconds: float,
    failure: str,
    rig: Path,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    replaced(monkeypatch, lambda whole: CutShort(whole, seconds, failure))
    ran = Invoke(capsys)("take", "rowan", "--rig", rig, "--out", tmp_path / "takes")
    assert ran.status == 1, ran.told
    assert "Traceback" not in ran.told and "Sorry" not in ran.told
    take = Path(ran.stdout.splitlines()[-1])
    record = json.loads((take / "take.json").read_text())
    codes = {finding["code"] for finding in record["findings"] if finding["refuses"]}
    assert codes & {"interrupted", "stream-failed"}, codes
    samples, _ = soundfile.read(take / "capture.wav", always_2d=True)
    assert len(samples) == round(seconds * RATE)
    assert not (take / "impedance.csv").exists()
    fitted = Invoke(capsys)("fit", take)
    assert fitted.status == 1
    assert "refused when it was made" in fitted.told


def test_device_that_cannot_be_opened(
    rig: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    replaced(monkeypatch, lambda _: Dead())
    for words in (
        ("take", "rowan", "--rig", rig, "--out", tmp_path / "takes"),
        ("rig", "level", rig),
        ("rig", "check", rig, "--resistor", "8.2ohm"),
        ("rig", "calibrate", rig, "--yes"),
    ):
        ran = Invoke(capsys)(*words)
        assert ran.status == 1, words
        assert "device-busy" in ran.told and "ALSA: card" in ran.told
    assert not list((tmp_path / "takes").glob("*"))


def test_broken_off_calibration_is_not_stored(
    rig: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    before = rig.read_bytes()
    replaced(monkeypatch, lambda whole: CutShort(whole, 1.5))
    ran = Invoke(capsys)("rig", "calibrate", rig, "--yes")
    assert ran.status == 1
    assert "interrupted" in ran.told
    assert rig.read_bytes() == before


@pytest.mark.parametrize(
    ("peak", "word"), [(0.95, "too hot"), (0.5, "good"), (0.02, "good"), (0.003, "too faint")]
)
def test_levels_have_a_word(peak: float, word: str) -> None:
    assert progress.level_word(peak) == word
    assert word in progress.level_text((peak, peak))
