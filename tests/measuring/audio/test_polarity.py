"""Sign of the first pulse, and from cell to terminal through the program."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
import soundfile
from invoked import Invoke
from scipy import signal

from meas.audio.simulated_hand import SimulatedHand
from meas.bench import rig_file
from meas.bench.rig import Rig, Wiring
from meas.bench.simulated_settings import SimulatedSettings
from meas.cone.first_pulse import across_driver, first_pulse
from meas.errors import Refused

RATE = 48000
SECONDS = np.arange(6 * RATE) / RATE


def push(at: float = 2.0, length: float = 0.12, height: float = 0.05) -> np.ndarray:
    """Half a sine of velocity: a cone that moves and is held."""
    since = SECONDS - at
    return np.where((since > 0) & (since < length), height * np.sin(np.pi * since / length), 0.0)


def coupled(wave: np.ndarray, corner_hz: float) -> np.ndarray:
    """Behind a coupling capacitor: a first-order high-pass (bilinear, scipy)."""
    return signal.lfilter(*signal.butter(1, corner_hz, "high", fs=RATE), wave)


def bench(wave: np.ndarray, noise: float = 1e-4, hum: float = 0.0, seed: int = 0) -> np.ndarray:
    rng = np.random.default_rng(seed)
    mains = hum * (np.sin(2 * np.pi * 50 * SECONDS + 1) + 0.3 * np.sin(2 * np.pi * 150 * SECONDS))
    return wave + mains + rng.normal(0, noise, SECONDS.size)


@pytest.mark.parametrize("corner_hz", [0.5, 2.0, 5.0, 10.0, 20.0])
@pytest.mark.parametrize("sign", [1, -1])
def test_sign_behind_any_coupling_in_hum(corner_hz, sign):
    """Hum of the height of the pulse itself; the pulse comes second to nothing but hum."""
    pulse = first_pulse(bench(sign * coupled(push(), corner_hz), hum=0.02), RATE)
    assert pulse.sign == sign
    # The press lasts from 2.00 to 2.12 s; averaging over 20 ms moves nothing by more.
    assert 1.98 < pulse.at_s < 2.14


def test_press_and_later_release_is_told_by_the_press():
    wave = push(2.0) - push(3.5, height=0.08)
    assert first_pulse(bench(coupled(wave, 1.0)), RATE).sign == 1


def test_offset_of_the_converter_is_no_pulse():
    assert first_pulse(bench(push() + 0.02), RATE).sign == 1


@pytest.mark.parametrize(
    ("wave", "code"),
    [
        (np.zeros_like(SECONDS), "no-pulse"),
        (np.clip(30 * push(), -1, 1), "clipped"),
        # A tremor of a quarter, the other way, before the press.
        (-push(1.9, 0.08, 0.012) + push(2.0), "ambiguous-pulse"),
        # A knock: 25 Hz, three cycles, both signs alike and faster than a hand.
        (np.where((SECONDS > 2) & (SECONDS < 2.12), 0.1 * np.sin(2 * np.pi * 25 * SECONDS), 0.0),
         "ambiguous-pulse"),
        # Already pressed when the recording began.
        (push(-0.05), "ambiguous-pulse"),
    ],
)  # fmt: skip
def test_refused(wave, code):
    with pytest.raises(Refused) as error:
        first_pulse(bench(wave, noise=1e-5), RATE)
    assert error.value.reasons[0].code == code


def test_noise_alone_is_refused_whatever_its_seed():
    """Slow noise of 0.1 % (as from a loose lead) must never give a sign."""
    for seed in range(20):
        rng = np.random.default_rng(seed)
        slow = signal.lfilter(*signal.butter(2, 30, fs=RATE), rng.normal(0, 1, SECONDS.size))
        with pytest.raises(Refused) as error:
            first_pulse(2e-3 * slow / np.std(slow), RATE)
        assert error.value.reasons[0].code in {"noisy", "ambiguous-pulse"}


def slow_then_snap(travel: float, pressing_s: float, snap_s: float, begin_s: float) -> np.ndarray:
    """Voltage of a cone pushed in at a steady pace and let go: equal areas (Faraday's law)."""
    since = SECONDS - begin_s
    pressing = np.where((since > 0) & (since < pressing_s), travel / pressing_s, 0.0)
    after = since - pressing_s
    inside = (after > 0) & (after < snap_s)
    back = np.where(inside, np.pi * travel / (2 * snap_s) * np.sin(np.pi * after / snap_s), 0.0)
    return back - pressing


@pytest.mark.parametrize("corner_hz", [0.0, 0.5, 1.0, 2.0, 5.0])
@pytest.mark.parametrize("pressing_s", [0.3, 0.6, 1.2, 2.5, 4.0])
@pytest.mark.parametrize("snap_s", [0.02, 0.04, 0.1])
@pytest.mark.parametrize("travel", [2e-3, 3e-4])
def test_a_slow_press_and_a_snap_back_are_never_told_by_the_snap(
    corner_hz, pressing_s, snap_s, travel
):
    """The press makes the input negative; its answer is that, or none.

    Travel times Bl over full scale [s]: 7 T m over 1 mm at 3.5 V, and a seventh of it.
    """
    wave = slow_then_snap(travel, pressing_s, snap_s, 1.0)
    for seed in range(2):
        for sign in (1, -1):
            heard = bench(coupled(sign * wave, corner_hz) if corner_hz else sign * wave, seed=seed)
            try:
                found = first_pulse(heard, RATE)
            except Refused:
                continue
            assert found.sign == -sign


@pytest.mark.parametrize("start_hz", [5.0, 10.0, 30.0, 200.0, 1000.0])
@pytest.mark.parametrize("seconds", [1.0, 3.0])
def test_a_sweep_is_no_touch_of_a_cell(start_hz, seconds, tmp_path, invoke):
    t = SECONDS[SECONDS < seconds]
    sweep = 0.3 * signal.chirp(t, start_hz, seconds, 20e3, method="logarithmic")
    wave = np.zeros(SECONDS.size)
    wave[RATE : RATE + sweep.size] = sweep
    ran = invoke("polarity", "reference", rig(tmp_path), "--recording",
                 recording(tmp_path, "sweep.wav", bench(wave)), "--yes")  # fmt: skip
    assert ran.status == 1, ran.told
    assert rig_file.read(tmp_path / "bench.toml").polarity is None


def test_a_short_touch_is_one():
    """A quarter of a second, direct and behind a coupling of a line input."""
    from meas.cone.first_pulse import only_touched

    touch = np.where((SECONDS > 2) & (SECONDS < 2.25), 0.3, 0.0)
    for wave in (touch, coupled(touch, 1.0), coupled(touch, 5.0)):
        only_touched(bench(wave, hum=0.02), RATE)
        assert first_pulse(bench(wave, hum=0.02), RATE).sign == 1


def test_too_short():
    with pytest.raises(Refused, match="too-short"):
        first_pulse(np.zeros(1000), RATE)


@pytest.mark.parametrize("side", ["hot", "ground"])
@pytest.mark.parametrize("plus_on_hot", [True, False])
def test_press_makes_plus_negative(side, plus_on_hot):
    """Lenz: pressing in drives plus negative, wherever the resistor sits."""
    settings = SimulatedSettings(seed=1, hum_volt=0.002)
    hand = SimulatedHand(settings, Wiring(series_resistor_ohm=10.0, resistor_side=side),
                         plus_on_hot=plus_on_hot)  # fmt: skip
    capture = hand.play_and_record(np.zeros(5 * RATE, dtype=np.float32), RATE)
    pulse = first_pulse(across_driver(capture.samples, side), RATE)
    assert pulse.sign == (-1 if plus_on_hot else 1)


# -- through the program


@pytest.fixture
def invoke(capsys: pytest.CaptureFixture[str]) -> Invoke:
    return Invoke(capsys)


def recording(folder: Path, name: str, driver_input: np.ndarray) -> Path:
    path = folder / name
    inputs = np.stack([np.zeros_like(driver_input), driver_input], axis=1)
    soundfile.write(path, inputs.astype(np.float32), RATE, subtype="FLOAT")
    return path


def rig(folder: Path, **more: object) -> Path:
    path = folder / "bench.toml"
    rig_file.write_new(path, Rig(name="b", wiring=Wiring(series_resistor_ohm=10.0), **more))
    return path


@pytest.mark.parametrize("inverted", [False, True])
@pytest.mark.parametrize("pulled", [False, True])
def test_from_cell_to_terminal(tmp_path, invoke, inverted, pulled):
    sign = -1 if inverted else 1
    file = rig(tmp_path)
    touch = sign * coupled(np.where((SECONDS > 2) & (SECONDS < 3), 0.1, 0.0), 1.0)
    cell = recording(tmp_path, "cell.wav", bench(touch))
    assert invoke("polarity", "reference", file, "--recording", cell).status == 0
    assert rig_file.read(file).polarity.inverted is inverted
    # Plus on the driver input: pressed in it goes negative, pulled out positive.
    move = sign * (1 if pulled else -1) * coupled(push(), 1.0)
    press = recording(tmp_path, "press.wav", bench(move))
    words = ["--pulled"] if pulled else []
    ran = invoke("polarity", "press", "lark", "--rig", file, "--recording", press, *words, "--json")
    assert ran.status == 0, ran.told
    found = json.loads(ran.stdout)
    assert found["plus"] == "amplifier-side"
    assert found["plus_words"] == "on the driver input"
    ran = invoke("polarity", "press", "lark", "--rig", file, "--recording", press, *words)
    assert "plus is the terminal on the driver input" in ran.told


def test_on_the_simulated_bench(tmp_path, invoke):
    from meas.bench.rig import Card

    file = rig(tmp_path, card=Card(device="simulated"), simulated=SimulatedSettings(seed=4))
    assert invoke("polarity", "reference", file, "--yes").status == 0
    ran = invoke("polarity", "press", "lark", "--rig", file)
    assert ran.status == 0
    assert "plus is the terminal on the driver input" in ran.told
    assert "Press the cone gently" in ran.told


def test_nothing_without_a_reference(tmp_path, invoke):
    file = rig(tmp_path)
    press = recording(tmp_path, "press.wav", bench(push()))
    ran = invoke("polarity", "press", "lark", "--rig", file, "--recording", press, "--json")
    assert ran.status == 1
    assert json.loads(ran.stdout)["reasons"][0]["code"] == "no-reference"


def test_reference_of_another_input_is_refused(tmp_path, invoke):
    file = rig(tmp_path)
    touch = bench(np.where((SECONDS > 2) & (SECONDS < 3), 0.1, 0.0))
    cell = recording(tmp_path, "cell.wav", touch)
    assert invoke("polarity", "reference", file, "--recording", cell).status == 0
    text = file.read_text().replace("source_input = 1", "source_input = 2")
    file.write_text(text.replace("driver_input = 2", "driver_input = 1", 1))
    ran = invoke("polarity", "press", "lark", "--rig", file, "--recording", cell)
    assert ran.status == 1
    assert "other-input" in ran.told


def test_clipped_reference_keeps_the_rig_as_it_was(tmp_path, invoke):
    file = rig(tmp_path)
    before = file.read_bytes()
    hot = recording(tmp_path, "hot.wav", np.clip(40 * push(), -1, 1))
    ran = invoke("polarity", "reference", file, "--recording", hot)
    assert ran.status == 1
    assert "clipped" in ran.told
    assert file.read_bytes() == before


def test_cautions_and_the_plain_way(tmp_path, invoke):
    file = rig(tmp_path)
    ran = invoke("polarity", "reference", file)
    assert ran.status == 2
    assert "--yes" in ran.told
    assert "Never on a microphone input" in ran.told
    ran = invoke("polarity", "cell")
    assert ran.status == 0
    assert "Never on a tweeter" in ran.told
    assert "terminal on the cell's plus is plus" in ran.told


def test_lost_blocks_beside_the_pulse_are_refused():
    """A gap looks like a pulse; one far from it does not matter."""
    from cli.bench.polarity import Listened

    wave = np.stack([np.zeros_like(SECONDS), push()], axis=1)
    pulse = first_pulse(push(), RATE)
    assert Listened(wave, RATE, (0.5, 4.0)).sound(pulse) == pulse
    with pytest.raises(Refused, match="dropout"):
        Listened(wave, RATE, (2.1,)).sound(pulse)


@pytest.mark.virtual_card
@pytest.mark.usefixtures("virtual_card")
def test_a_sound_card_listens_in_silence(tmp_path, invoke):
    """Nothing is played and nothing pressed: the virtual card records no pulse."""
    file = rig(tmp_path)
    ran = invoke("polarity", "reference", file, "--yes", "--json")
    assert ran.status == 1, ran.told
    assert json.loads(ran.stdout)["reasons"][0]["code"] == "no-pulse"


def test_the_reference_stands_in_the_rig_file_and_survives_it(tmp_path, invoke):
    """Comments and everything else of the file stay; a second reference replaces the first."""
    file = rig(tmp_path)
    file.write_text("# mine\n" + file.read_text(), encoding="utf-8")
    wave = bench(np.where((SECONDS > 2) & (SECONDS < 3), 0.1, 0.0))
    for sign in (1, -1):
        cell = recording(tmp_path, f"cell{sign}.wav", sign * wave)
        assert invoke("polarity", "reference", file, "--recording", cell).status == 0
        assert rig_file.read(file).polarity.inverted is (sign < 0)
    text = file.read_text(encoding="utf-8")
    assert text.startswith("# mine\n")
    assert text.count("[polarity]") == 1
    assert "freeair polarity reference" in text
