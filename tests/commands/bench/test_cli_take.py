"""A take that is interrupted or fails half-way: what was recorded is kept, nothing is claimed."""

from __future__ import annotations

import json
import shutil
import signal
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
from meas.takes import take as takes

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


@pytest.mark.parametrize("made_by", ["take", "import"])
def test_refused_as_json_is_one_object_and_says_why_beside_it(
    made_by: str,
    rig: Path,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    """A script reads the one object; whoever watches it reads the reason on standard error."""
    words: list[str | Path] = ["take", "rowan"]
    if made_by == "take":
        replaced(monkeypatch, lambda whole: CutShort(whole, 1.5))
    else:
        silence = tmp_path / "silence.wav"
        soundfile.write(silence, np.zeros((5 * RATE, 2)), RATE, subtype="FLOAT")
        words = ["import", silence, "--unit", "rowan"]
    ran = Invoke(capsys)(*words, "--rig", rig, "--out", tmp_path / "takes", "--json")
    assert ran.status == 1, ran.told
    document = json.loads(ran.stdout)
    assert document["refused"] is True
    assert Path(document["take"]).is_dir()
    told = " ".join(ran.stderr.split())
    assert document["reasons"]
    for reason in document["reasons"]:
        assert " ".join(reason["text"].split()[:5]) in told, told


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


class Marred:
    """An audio path whose driver hands over a value that is no number."""

    def __init__(self, whole: SimulatedBench) -> None:
        self._whole = whole

    def play_and_record(self, *how: Any) -> Capture:
        capture = self._whole.play_and_record(*how)
        capture.samples[1000] = np.nan
        return capture


ONE_INPUT = ("--substitution", "8.2ohm±1%", "--source-resistance", "0.5ohm±0.1ohm")


@pytest.mark.parametrize("more", [(), ONE_INPUT], ids=["two inputs", "one input"])
def test_samples_that_are_no_numbers_are_kept(more, rig, tmp_path, monkeypatch, capsys) -> None:
    replaced(monkeypatch, Marred)
    ran = Invoke(capsys)("take", "rowan", "--rig", rig, "--out", tmp_path / "takes", *more)
    assert ran.status == 1, ran.told
    take = Path(ran.stdout.splitlines()[-1])
    assert "unusable-recording" in ran.told
    samples, _ = soundfile.read(take / "capture.wav", always_2d=True)
    assert np.isnan(samples[1000]).all() and np.isfinite(np.delete(samples, 1000, axis=0)).all()
    assert Invoke(capsys)("fit", take).status == 1


@pytest.mark.parametrize("more", [(), ONE_INPUT], ids=["two inputs", "one input"])
def test_ctrl_c_after_the_last_sweep_keeps_it(more, rig, tmp_path, monkeypatch, capsys) -> None:
    """Pressed while the recording is looked at, or while it is written."""
    from meas.files import writing

    for number, home in enumerate((takes, writing)):
        name = ("_record_text", "_rename_folder")[number]
        real = getattr(home, name)

        def pressed(*how: Any, real: Callable[..., Any] = real) -> Any:
            signal.raise_signal(signal.SIGINT)
            return real(*how)

        out = tmp_path / f"takes-{number}"
        with monkeypatch.context() as patch:
            patch.setattr(home, name, pressed)
            ran = Invoke(capsys)("take", "rowan", "--rig", rig, "--out", out, *more)
        assert ran.status == 130, ran.told
        (take,) = out.iterdir()
        assert not takes.load(take).refused
        assert signal.getsignal(signal.SIGINT) is signal.default_int_handler


def test_ctrl_c_twice_waits_for_nothing(rig, tmp_path, monkeypatch, capsys) -> None:
    def twice(*_: Any) -> Any:
        signal.raise_signal(signal.SIGINT)
        signal.raise_signal(signal.SIGINT)
        raise AssertionError("it went on")

    monkeypatch.setattr(takes, "save", twice)
    ran = Invoke(capsys)("take", "rowan", "--rig", rig, "--out", tmp_path / "takes")
    assert ran.status == 130, ran.told


@pytest.mark.parametrize("more", [(), ("--levels", "0.1,0.2"), ONE_INPUT], ids=str)
def test_no_room_is_told_before_anything_plays(more, rig, tmp_path, monkeypatch, capsys) -> None:
    """Two sweeps of 2 s at 48 kHz on two inputs of four bytes are 1.6 MB without their pauses."""
    replaced(monkeypatch, lambda _: Dead())
    usage = shutil.disk_usage(tmp_path)._replace(free=1_500_000)
    monkeypatch.setattr(shutil, "disk_usage", lambda _: usage)
    ran = Invoke(capsys)("take", "rowan", "--rig", rig, "--out", tmp_path / "takes", *more)
    assert ran.status == 2, ran.told
    assert "MB are needed" in ran.told and "make room" in ran.told
    assert list((tmp_path / "takes").iterdir()) == []


def test_a_calibration_of_another_rate_is_told_before_anything_plays(
    rig, tmp_path, monkeypatch, capsys
) -> None:
    assert Invoke(capsys)("rig", "calibrate", rig, "--yes").status == 0
    rig.write_text(rig.read_text("utf-8").replace("rate_hz = 48000", "rate_hz = 44100", 1), "utf-8")
    replaced(monkeypatch, lambda _: Dead())
    ran = Invoke(capsys)("take", "rowan", "--rig", rig, "--out", tmp_path / "takes")
    assert ran.status == 2, ran.told
    assert "Calibrate again" in ran.told
