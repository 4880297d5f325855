"""The bench commands on the simulated bench, whose truth is known."""

from __future__ import annotations

import json
import re
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from invoked import Invoke, Ran
from scipy import stats

from cli.rig import check
from meas.bench import rig_file
from meas.bench.rig import Rig
from meas.bench.simulated_settings import SimulatedSettings
from meas.curve import ImpedanceCurve, Systematic


def new_rig(invoke: Invoke, folder: Path, *words: str, **true: Any) -> Path:
    path = folder / "bench.toml"
    ran = invoke(
        "rig", "new", path, "--series-resistor", "10ohm", "--tolerance", "1%", "--device",
        "simulated", "--woofer", "--sweep-seconds", "1", *words,
    )  # fmt: skip
    assert ran.status == 0, ran.told
    change_truth(path, **true)
    return path


def change_truth(path: Path, **true: Any) -> None:
    rig = rig_file.read(path)
    settings = (rig.simulated or SimulatedSettings()).model_copy(update=true)
    rig_file.update(path, rig.model_copy(update={"simulated": settings}))


@pytest.fixture
def invoke(capsys: pytest.CaptureFixture[str]) -> Invoke:
    return Invoke(capsys)


def test_new_writes_what_was_said(invoke: Invoke, tmp_path: Path) -> None:
    path = tmp_path / "shed.toml"
    ran = invoke(
        "rig", "new", path, "--series-resistor", "8R2", "--tolerance", "0.5",
        "--resistor-side", "ground", "--input-resistance", "47kohm±10%", "--source-input", "2",
        "--driver-input", "1", "--device", "ALSA: some card", "--sample-rate", "96kHz",
        "--amplifier", "grounded", "--level", "0.1", "--start", "15Hz", "--stop", "30kHz",
        "--sweep-seconds", "8", "--repeats", "3", "--mains", "60",
    )  # fmt: skip
    assert ran.status == 0, ran.told
    rig = rig_file.read(path)
    wiring, drive = rig.wiring, rig.drive
    assert wiring.series_resistor_ohm == 8.2
    assert wiring.tolerance_percent == 0.5
    assert (wiring.resistor_side, wiring.amplifier) == ("ground", "grounded")
    assert (wiring.source_input, wiring.driver_input) == (2, 1)
    assert wiring.input_resistance_ohm == 47e3
    assert wiring.input_resistance_tolerance_percent == pytest.approx(10)
    assert (rig.card.device, rig.card.sample_rate_hz) == ("ALSA: some card", 96000)
    assert (drive.level, drive.start_hz, drive.stop_hz) == (0.1, 15.0, 30000.0)
    assert (drive.sweep_seconds, drive.repeats, drive.woofer) == (8.0, 3, False)
    assert rig.mains_hz == 60
    assert ran.stdout.splitlines()[-1] == str(path)
    assert "Amplifier whose minus terminal is ground" in ran.told


def test_resistor_may_carry_its_own_limits(invoke: Invoke, tmp_path: Path) -> None:
    path = tmp_path / "a.toml"
    invoke("rig", "new", path, "--series-resistor", "10.02ohm±0.05ohm")
    wiring = rig_file.read(path).wiring
    assert wiring.tolerance_percent == pytest.approx(100 * 0.05 / 10.02)


def test_calibration_finds_the_mismatch(invoke: Invoke, tmp_path: Path) -> None:
    """Gain 1.03 and half a sample of delay, as put into the simulated card."""
    path = new_rig(invoke, tmp_path, driver_input_gain=1.03, driver_input_delay_s=0.5 / 48000)
    ran = invoke("rig", "calibrate", path, "--standard", "same-node", "--yes")
    assert ran.status == 0, ran.told
    gain, delay = re.findall(r"([+-][0-9.]+) (?:% against|samples late)", ran.told)
    assert float(gain) == pytest.approx(3.0, abs=0.02)
    assert float(delay) == pytest.approx(0.5, abs=0.01)
    calibration = rig_file.read(path).calibration
    assert calibration is not None
    (standard,) = calibration.standards
    middle = (standard.frequency_hz > 100) & (standard.frequency_hz < 5000)
    np.testing.assert_allclose(np.abs(standard.ratio[middle]), 1.03, rtol=1e-3)
    assert "Both inputs on the source node" in ran.told


def test_calibration_needs_a_yes(invoke: Invoke, tmp_path: Path) -> None:
    path = new_rig(invoke, tmp_path)
    assert invoke("rig", "calibrate", path).status == 2
    assert rig_file.read(path).calibration is None


def checked(invoke: Invoke, path: Path, *words: str) -> Ran:
    return invoke("rig", "check", path, "--resistor", "8.2ohm±0.5%", *words)


def test_check_says_yes_to_a_sound_bench(invoke: Invoke, tmp_path: Path) -> None:
    """The true resistor lies 0.5 % off, within the 1 % stated: no reason to complain."""
    path = new_rig(invoke, tmp_path, series_resistor_ohm=10.05)
    invoke("rig", "calibrate", path, "--yes")
    ran = checked(invoke, path)
    assert ran.status == 0, ran.told
    assert "measures 8.2ohm±0.5% as what it is" in ran.told
    document = json.loads(checked(invoke, path, "--json").stdout)
    assert document["agrees"] is True
    # R enters one to one: 8.2 ohm read against 10 ohm that are 10.05 ohm.
    for band in document["bands"][:4]:
        assert band["resistance_ohm"] == pytest.approx(8.2 * 10 / 10.05, rel=1e-3)


def test_check_finds_a_wrong_resistor(invoke: Invoke, tmp_path: Path) -> None:
    path = new_rig(invoke, tmp_path, series_resistor_ohm=10.6)
    invoke("rig", "calibrate", path, "--yes")
    ran = checked(invoke, path)
    assert ran.status == 1
    assert "bench-disagrees" in ran.stderr and "is off" in ran.stdout
    refused = json.loads(checked(invoke, path, "--json").stdout)
    assert refused["refused"] is True
    assert refused["reasons"][0]["code"] == "bench-disagrees"


def test_check_owns_up_to_an_uncalibrated_bench(invoke: Invoke, tmp_path: Path) -> None:
    """2 % of mismatch lie within the 3 % that an uncalibrated rig assumes, and the text says so."""
    path = new_rig(invoke, tmp_path, driver_input_gain=1.02)
    ran = checked(invoke, path)
    assert ran.status == 0, ran.told
    assert "Not calibrated" in ran.told


def test_check_combines_the_uncertainties() -> None:
    """Root of the sum of squares at coverage 2 (JCGM 100:2008, 5.1.2 and 6.3.3); the noise of the
    two parts of one band at the 0.95^(1/2) of the normal law, 2.236 (Z. Sidak 1967)."""
    frequency = np.linspace(301, 999, 100)
    flat = np.full(100, 8.2, dtype=complex)
    common = Systematic("resistor", "resistor", flat * 0.003)
    curve = ImpedanceCurve(frequency, flat, np.full(100, 0.1), (common,))
    (band,) = check.compare(curve, 8.2, 0.041)
    noise = stats.norm.ppf((1 + np.sqrt(0.95)) / 2) * 0.1 / 10
    expected = np.sqrt(noise**2 + 4 * ((8.2 * 0.003) ** 2 + 0.041**2 / 3))
    assert band.limits_ohm[0] == pytest.approx(expected, rel=1e-12)
    assert band.agrees
    just = ImpedanceCurve(frequency, flat + 1.02 * expected, np.full(100, 0.1), (common,))
    assert not check.compare(just, 8.2, 0.041)[0].agrees
    reactive = ImpedanceCurve(frequency, flat + 0.2j, np.full(100, 0.1), (common,))
    assert not check.compare(reactive, 8.2, 0.041)[0].agrees


def test_noise_alone_calls_a_sound_bench_wrong_in_one_of_twenty() -> None:
    """2,000 benches of noise and nothing else, over all bands: 5 %, known to 0.5 % by the binomial
    law; from 3 kHz on the wire's inductance is allowed beside, which lowers it a little."""
    rng = np.random.default_rng(20)
    frequency = np.geomspace(10, 20e3, 140)
    off = np.full(140, 0.05)
    wrong = 0
    for _ in range(2000):
        noise = 0.05 * (rng.standard_normal(140) + 1j * rng.standard_normal(140))
        curve = ImpedanceCurve(frequency, 8.2 + noise, off, ())
        wrong += not all(band.agrees for band in check.compare(curve, 8.2, 0.0))
    assert 0.03 < wrong / 2000 < 0.065


def test_level_suggests_and_stores(invoke: Invoke, tmp_path: Path) -> None:
    path = new_rig(invoke, tmp_path, "--level", "0.02")
    ran = invoke("rig", "level", path)
    assert ran.status == 0, ran.told
    assert rig_file.read(path).drive.level == 0.02, "nothing is stored unasked"
    assert invoke("rig", "level", path, "--set").status == 0
    level = rig_file.read(path).drive.level
    peaks = peaks_of_a_take(invoke, path, tmp_path)
    assert level > 0.02
    assert max(peaks) == pytest.approx(0.5, rel=0.1)
    assert "is good" in invoke("rig", "level", path).stdout


def peaks_of_a_take(invoke: Invoke, path: Path, folder: Path) -> list[float]:
    out = invoke("take", "lark", "--rig", path, "--out", folder / "takes").stdout
    record = json.loads((Path(out.splitlines()[-1]) / "take.json").read_text())
    peaks: list[float] = record["peak"]
    return peaks


def test_level_finds_an_input_too_hot(invoke: Invoke, tmp_path: Path) -> None:
    """Inputs that clip at 50 mV: even gently played the peak is there, and a lower level named."""
    path = new_rig(invoke, tmp_path, "--level", "0.9", input_volt_full_scale=0.4)
    ran = invoke("rig", "level", path)
    assert "too hot" in ran.stdout
    assert rig_file.read(path).drive.level == 0.9


def test_level_finds_a_dead_input(invoke: Invoke, tmp_path: Path) -> None:
    path = new_rig(invoke, tmp_path, amplifier_volt_full_scale=1e-9)
    ran = invoke("rig", "level", path)
    assert ran.status == 1
    assert "silent-input" in ran.stderr


def test_devices_are_listed_as_json(invoke: Invoke, monkeypatch: pytest.MonkeyPatch) -> None:
    from meas.audio import soundcard
    from meas.audio.devices import Device

    monkeypatch.setattr(soundcard, "list_devices", lambda: [Device("card", "ALSA", 2, 2, 48000.0)])
    listed = json.loads(invoke("rig", "devices", "--json").stdout)
    assert listed["devices"][0]["device"] == "ALSA: card"
    assert "ALSA: card" in invoke("rig", "devices").stdout


def test_rig_model_is_what_the_options_promise() -> None:
    """Every option of ``rig new`` that carries a default has the model's default."""
    from inspect import signature

    from cli.rig.commands import new

    rig = Rig(name="a")
    stated = {name: p.default for name, p in signature(new).parameters.items()}
    defaults = {name: getattr(one, "default", one) for name, one in stated.items()}
    assert defaults["level"] == rig.drive.level
    assert defaults["repeats"] == rig.drive.repeats
    assert defaults["sweep_seconds"] == rig.drive.sweep_seconds
    assert int(defaults["sample_rate"]) == rig.card.sample_rate_hz
    assert defaults["mains"] == rig.mains_hz
    assert defaults["source_input"] == rig.wiring.source_input
    assert defaults["driver_input"] == rig.wiring.driver_input
    assert float(defaults["tolerance"].rstrip("%")) == rig.wiring.tolerance_percent
