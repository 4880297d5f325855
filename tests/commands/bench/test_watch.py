"""``freeair watch`` on the simulated bench."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from invoked import Invoke


@pytest.fixture
def invoke(capsys: pytest.CaptureFixture[str], tmp_path: Path, monkeypatch) -> Invoke:
    monkeypatch.chdir(tmp_path)
    made = Invoke(capsys)
    ran = made("rig", "new", "bench.toml", "--series-resistor", "10ohm", "--device", "simulated",
               "--woofer")  # fmt: skip
    assert ran.status == 0, ran.told
    return made


def test_it_sees_the_peak_and_ends_by_itself(invoke: Invoke) -> None:
    ran = invoke("watch", "--rig", "bench.toml", "--seconds", 2, "--json")
    assert ran.status == 0, ran.told
    found = json.loads(ran.stdout)
    assert found["updates"] >= 1
    # The simulated woofer resonates at 48 Hz; its coil moves the peak of |Z| by far less.
    assert all(peak == pytest.approx(48.0, abs=1.0) for peak in found["peak_hz"])
    assert not list(Path().glob("takes"))


def test_a_band_without_the_peak_is_said(invoke: Invoke) -> None:
    ran = invoke("watch", "--rig", "bench.toml", "--seconds", 1, "--low", "200Hz", "--high", "1kHz")
    assert ran.status == 0
    assert "No peak was seen in this band" in ran.told


@pytest.mark.parametrize(
    ("words", "said"),
    [
        ((), "--seconds 30"),
        (("--seconds", "2", "--low", "20"), "no unit"),
        (("--seconds", "2", "--low", "300Hz", "--high", "100Hz"), "band"),
    ],
)
def test_wrong_words(words: tuple[str, ...], said: str, invoke: Invoke) -> None:
    ran = invoke("watch", "--rig", "bench.toml", *words)
    assert ran.status == 2, ran.told
    assert said in ran.told
