"""No command plays louder than the rig says, unless it is asked to."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from invoked import Invoke

from meas.audio.limited import LimitedPath
from meas.audio.protocol import Capture
from meas.audio.simulated_bench import SimulatedBench
from meas.bench import rig_file
from meas.errors import Refused

LEVEL = 0.05


@pytest.fixture
def invoke(capsys: pytest.CaptureFixture[str]) -> Invoke:
    return Invoke(capsys)


@pytest.fixture
def loudest(monkeypatch: pytest.MonkeyPatch) -> list[float]:
    """Peaks of everything that reaches the card, in order."""
    peaks: list[float] = []
    play = SimulatedBench.play_and_record

    def heard(self, output, rate, on_progress=None):
        peaks.append(float(np.max(np.abs(output), initial=0.0)))
        return play(self, output, rate, on_progress)

    monkeypatch.setattr(SimulatedBench, "play_and_record", heard)
    return peaks


@pytest.fixture
def rig(invoke: Invoke, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A tweeter behind an amplifier that may be bridged, kept at a low level."""
    monkeypatch.chdir(tmp_path)
    made = invoke(
        "rig", "new", "spark.toml", "--series-resistor", "10ohm", "--device", "simulated",
        "--amplifier", "bridged", "--level", str(LEVEL),
    )  # fmt: skip
    assert made.status == 0, made.told
    return tmp_path / "spark.toml"


COMMANDS = [
    "rig level spark.toml --yes",
    "rig level spark.toml --tone 300Hz --yes",
    "rig level spark.toml --tone 300Hz --volts-at-driver 0.05V --yes",
    "rig check spark.toml --resistor 8.2ohm --yes",
    "rig calibrate spark.toml --standard same-node --yes",
    "rig calibrate spark.toml --standard open --yes",
    "rig calibrate spark.toml --standard short --yes",
    "rig calibrate spark.toml --standard resistor=8.2ohm --yes",
    "take spark --rig spark.toml --yes",
    "take spark --rig spark.toml --excitation multisine --yes",
    "take spark --rig spark.toml --excitation stepped --yes",
    "take spark --rig spark.toml --substitution 8.2ohm --swap-seconds 0 --yes",
    "watch --rig spark.toml --seconds 1 --yes",
    "watch --rig spark.toml --seconds 1 --low 100Hz --high 3kHz --yes --json",
    "polarity press spark --rig spark.toml --yes",
]


@pytest.mark.parametrize("command", COMMANDS)
def test_every_command_stays_within_the_level(
    command: str, invoke: Invoke, rig: Path, loudest: list[float]
) -> None:
    ran = invoke(*command.split())
    assert ran.status in (0, 1), ran.told
    assert "mistake in freeair" not in ran.told
    assert "too-loud" not in ran.told
    assert max(loudest, default=0.0) <= LEVEL * 1.000001
    assert rig_file.read(rig).drive.level == LEVEL


def test_only_set_and_levels_ask_for_more(invoke: Invoke, rig: Path, loudest: list[float]) -> None:
    invoke("rig", "level", rig, "--yes")
    assert 0 < max(loudest) <= LEVEL * 1.000001
    loudest.clear()
    ran = invoke("rig", "level", rig, "--set", "--yes")
    assert ran.status == 0, ran.told
    stored = rig_file.read(rig).drive.level
    assert stored > 2 * LEVEL
    assert max(loudest) == pytest.approx(stored, rel=1e-6)
    upward = loudest[1:]  # after the gentle first one
    assert all(b / a < 3.3 for a, b in zip([LEVEL, *upward], upward, strict=False)), upward
    loudest.clear()
    assert invoke("take", "spark", "--rig", rig, "--levels", "0.02,0.06", "--yes").status == 0
    assert max(loudest) == pytest.approx(0.06, rel=1e-6)


def test_a_louder_signal_is_refused_before_it_is_played() -> None:
    class Card:
        def play_and_record(self, output, rate, on_progress=None) -> Capture:
            raise AssertionError("played")

    for peak in (0.1001, -0.5, np.inf, np.nan):
        with pytest.raises(Refused) as refused:
            LimitedPath(Card(), 0.1).play_and_record(np.array([0, peak], np.float32), 48000)
        assert [reason.code for reason in refused.value.reasons] == ["too-loud"]


def test_what_is_within_the_limit_is_played_as_it_is() -> None:
    class Card:
        def play_and_record(self, output, rate, on_progress=None) -> Capture:
            return Capture(np.stack([output, -output], axis=1), rate, output.size)

    output = np.array([0.1, -0.1, 0.0], np.float32)
    played = LimitedPath(Card(), 0.1).play_and_record(output, 48000)
    assert np.array_equal(played.samples[:, 0], output)
    assert played.sample_rate_hz == 48000
