"""Every criterion of a single take: faults are refused and named, healthy takes are not.

Faults are put on exact two-pass takes, on single sweeps as others record them, and on noise that
fills the record; sizes stand beside the criterion that they test (docstrings of meas.validity).
"""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray
from validity_bench import (
    LEVEL,
    TWEETER,
    WOOFER,
    Fault,
    Load,
    hard,
    hummed,
    lost,
    noise,
    own,
    record,
    repeated,
    ridden,
    single,
    slipped,
    soft,
    stepped_driver,
    zeroed,
)

from meas.bench.rig import Assumptions, Drive, Rig, Wiring
from meas.errors import Finding
from meas.excitation.stimulus import build
from meas.takes.analysis import analyse

RATE = 48000
DRIVES = {
    "own": own(10.0, 20000.0, 2.0, RATE),
    "single": single(10.0, 20000.0, 3.0, RATE),
    "noise": noise(5.0, RATE),
}
LOADS = {"woofer": WOOFER, "tweeter": TWEETER}
SWEEPS = ("own", "single")
# Frames in mid-sweep, off any round frequency: 1.3 and 1.9 s are 160 Hz and 1.5 kHz or so.
AT = (round(1.3 * RATE), round(1.93 * RATE))


def findings(
    samples: NDArray[np.float32], *, side: str = "hot", resistor: float = 10.0, rate: int = RATE,
    kind: str = "driver", mismatch: float = 0.1,
) -> tuple[Finding, ...]:  # fmt: skip
    rig = Rig(
        name="bench",
        wiring=Wiring(series_resistor_ohm=resistor, resistor_side=side),
        assumptions=Assumptions(mismatch_percent=mismatch),
    )
    return analyse(samples, rate, rig, kind=kind).findings  # type: ignore[arg-type]


def refusals(samples: NDArray[np.float32], **how: object) -> set[str]:
    return {f.code for f in findings(samples, **how) if f.refuses}  # type: ignore[arg-type]


def taken(drive: str, load: str = "woofer", fault: Fault | None = None, **how: object) -> set[str]:
    made = record(DRIVES[drive], LOADS[load], RATE, fault=fault, endless=drive == "noise", **how)  # type: ignore[arg-type]
    return refusals(made)


@pytest.mark.parametrize("load", LOADS)
@pytest.mark.parametrize("drive", DRIVES)
@pytest.mark.parametrize("bits", [16, 24])
def test_healthy_take_is_not_refused(drive: str, load: str, bits: int) -> None:
    assert not taken(drive, load, bits=bits)


@pytest.mark.parametrize("seed", range(3))
def test_no_healthy_driver_is_refused(seed: int) -> None:
    """Random drivers from 15 Hz to 3 kHz, both wirings, 60 to 100 dB, all kinds of drive.

    Left out is what physics leaves out: Res/Re = Qms/Qes below 0.25 cannot be told from a bump,
    and the sweep begins at a sixth of fs, so that a Q of 0.5 falls within the band.
    """
    rng = np.random.default_rng(seed)
    refused = []
    number = 0
    while number < 33:
        fs, Qms, Qes = np.exp(rng.uniform(np.log([15, 0.5, 0.2]), np.log([3000, 20, 6])))
        if Qms / Qes < 0.25:
            continue
        load = Load(rng.uniform(2, 16), rng.uniform(0, 3e-3), fs, Qms, Qes)
        resistor, side = float(np.exp(rng.uniform(np.log(4.7), np.log(100)))), "hot"
        if number % 2:
            side = "ground"
        rate = 16000 if fs < 800 else 48000
        start, stop = max(3.0, fs / 6), 0.42 * rate
        drive = (
            own(start, stop, 1.5, rate),
            own(start, stop, 1.5, rate),
            single(start, stop, 2.0, rate),
            noise(3.0, rate, number),
        )[number % 4]
        made = record(
            drive, load, rate, side=side, resistor=resistor, endless=number % 4 == 3,
            noise_rms=LEVEL * 0.3 * 10 ** (-rng.uniform(60, 100) / 20), seed=number,
            bits=16 if number % 5 == 0 else 24,
        )  # fmt: skip
        codes = refusals(made, side=side, resistor=resistor, rate=rate, mismatch=0.05)
        if codes:
            refused.append((load, resistor, side, codes))
        number += 1
    assert not refused


# --- clipping -----------------------------------------------------------------------------------


@pytest.mark.parametrize("load", LOADS)
@pytest.mark.parametrize("drive", DRIVES)
@pytest.mark.parametrize("channel", [0, 1])
@pytest.mark.parametrize("kind", ["hard", "one end", "soft", "soft by 3 %"])
def test_saturation_below_full_scale_is_clipped(
    kind: str, channel: int, drive: str, load: str
) -> None:
    fault = {
        "hard": hard(0.03, channel),
        "one end": hard(0.03, channel, one_end=True),
        "soft": soft(0.015, channel),
        "soft by 3 %": soft(0.03, channel),
    }[kind]
    assert taken(drive, load, fault) == {"clipped"}


@pytest.mark.parametrize("one_end", [False, True])
def test_full_scale_is_clipped(one_end: bool) -> None:
    made = record(DRIVES["own"], WOOFER, RATE, level=1.02)
    if one_end:
        made[:, 0] = np.maximum(made[:, 0], -0.98)
    assert "clipped" in refusals(made)


@pytest.mark.parametrize("drive", SWEEPS)
@pytest.mark.parametrize("bits", [16, 24])
def test_clipping_in_the_amplifier_cancels(drive: str, bits: int) -> None:
    assert not taken(drive, amplifier=lambda v: np.clip(v, -0.15, 0.2), bits=bits)


# --- lost, repeated and blanked frames; slips --------------------------------------------------


@pytest.mark.parametrize("at", AT)
@pytest.mark.parametrize("frames", [1, 16, 512, 4096])
@pytest.mark.parametrize("drive", DRIVES)
@pytest.mark.parametrize("load", LOADS)
def test_frames_lost_from_both_inputs(load: str, drive: str, frames: int, at: int) -> None:
    if frames == 1 and load == "tweeter" and at == AT[0]:
        return  # at 160 Hz a tweeter is a resistor: without memory the loss leaves no trace
    assert taken(drive, load, lost(at, frames)) & {"dropout", "channel-slip"}


@pytest.mark.parametrize("at", AT)
def test_a_dropout_is_said_where_it_is(at: int) -> None:
    """To a block of the sound system: 10 ms are less than any has."""
    made = findings(record(DRIVES["own"], WOOFER, RATE, fault=lost(at, 512)))
    (place,) = next(f.at_seconds for f in made if f.code in ("dropout", "channel-slip"))
    assert abs(place - at / RATE) < 0.01


@pytest.mark.parametrize("drive", DRIVES)
@pytest.mark.parametrize("frames", [64, 1000])
def test_repeated_block(drive: str, frames: int) -> None:
    assert taken(drive, fault=repeated(AT[1], frames)) == {"dropout"}


@pytest.mark.parametrize("channels", [(0, 1), (0,), (1,)])
@pytest.mark.parametrize("frames", [8, 480])
@pytest.mark.parametrize("drive", DRIVES)
def test_blanked_block(drive: str, frames: int, channels: tuple[int, ...]) -> None:
    """Zeros put in after the converter, as software does."""
    made = record(DRIVES[drive], WOOFER, RATE, endless=drive == "noise")
    blank = zeroed(AT[1], frames, *channels)(made)
    assert refusals(blank) & {"dropout", "channel-slip"}
    if frames == 480:
        assert refusals(blank) == {"dropout"}


@pytest.mark.parametrize("frames", [1, 7, 512])
@pytest.mark.parametrize("channel", [0, 1])
@pytest.mark.parametrize("drive", DRIVES)
@pytest.mark.parametrize("load", LOADS)
def test_slip_of_one_channel(load: str, drive: str, channel: int, frames: int) -> None:
    assert taken(drive, load, slipped(AT[1], frames, channel)) == {"channel-slip"}


def test_slip_between_the_passes() -> None:
    assert taken("own", fault=slipped(round(3.0 * RATE), 1, 1)) == {"channel-slip"}


# --- gain ---------------------------------------------------------------------------------------


@pytest.mark.parametrize("drive", ["own", "noise"])
@pytest.mark.parametrize("load", LOADS)
@pytest.mark.parametrize(("change", "channel"), [(0.01, 0), (-0.01, 1), (0.05, 1)])
def test_gain_of_one_channel_drifts(drive: str, load: str, change: float, channel: int) -> None:
    assert taken(drive, load, ridden(change, channel)) == {"gain-riding"}


@pytest.mark.parametrize("drive", DRIVES)
def test_gain_of_both_channels_drifts_alike(drive: str) -> None:
    assert not taken(drive, fault=ridden(-0.1, 0, 1))


# --- connections ----------------------------------------------------------------------------------


@pytest.mark.parametrize("side", ["hot", "ground"])
@pytest.mark.parametrize("load", LOADS)
@pytest.mark.parametrize("drive", DRIVES)
def test_swapped_inputs(drive: str, load: str, side: str) -> None:
    made = record(DRIVES[drive], LOADS[load], RATE, side=side, endless=drive == "noise")
    assert refusals(made[:, ::-1].copy(), side=side) == {"swapped-inputs"}


@pytest.mark.parametrize("drive", DRIVES)
def test_same_signal(drive: str) -> None:
    made = record(DRIVES[drive], WOOFER, RATE, endless=drive == "noise")
    assert refusals(made[:, [0, 0]].copy()) == {"same-signal"}
    assert refusals(np.repeat(made.mean(axis=1, keepdims=True), 2, axis=1)) == {"same-signal"}


@pytest.mark.parametrize("channel", [0, 1])
@pytest.mark.parametrize("rms", [0.0, 2e-5])
def test_dead_input(channel: int, rms: float) -> None:
    made = record(DRIVES["own"], WOOFER, RATE)
    made[:, channel] = np.random.default_rng(0).normal(0.0, rms, len(made))
    assert "silent-input" in refusals(made)


@pytest.mark.parametrize(
    ("side", "ohm", "code"),
    [
        ("hot", 1e9, "open-driver"),
        ("ground", 1e9, "open-driver"),
        ("hot", 0.05, "shorted-driver"),
        ("ground", 0.005, "shorted-driver"),
    ],
)
def test_open_and_shorted_driver(side: str, ohm: float, code: str) -> None:
    made = record(DRIVES["own"], lambda f: np.full(f.shape, ohm + 0j), RATE, side=side)
    assert code in refusals(made, side=side)


@pytest.mark.parametrize("load", LOADS)
@pytest.mark.parametrize(("said", "true"), [("hot", "ground"), ("ground", "hot")])
def test_resistor_on_the_other_side_than_the_rig_says(load: str, said: str, true: str) -> None:
    made = record(DRIVES["own"], LOADS[load], RATE, side=true)
    assert refusals(made, side=said) == {"wrong-resistor-side"}


@pytest.mark.parametrize("load", LOADS)
def test_faint(load: str) -> None:
    assert taken("own", load, level=4e-5) == {"faint"}
    assert not taken("own", load, level=0.01)


# --- resonance ----------------------------------------------------------------------------------


@pytest.mark.parametrize("kind", ["driver", "part", "system"])
def test_resistor_is_no_driver(kind: str) -> None:
    made = record(DRIVES["own"], lambda f: 8.2 + 2j * np.pi * f * 2e-6, RATE)
    assert refusals(made, kind=kind) == ({"no-resonance"} if kind == "driver" else set())


@pytest.mark.parametrize(("start", "stop"), [(130.0, 20000.0), (8.0, 38.0)])
def test_drive_stops_short_of_the_resonance(start: float, stop: float) -> None:
    assert refusals(record(own(start, stop, 2.0, RATE), WOOFER, RATE)) == {"no-resonance"}


@pytest.mark.parametrize("kind", ["driver", "system"])
@pytest.mark.parametrize("other", [(95.0, 5.0, 3.0), (24.0, 6.0, 1.5)])
def test_two_resonances(other: tuple[float, float, float], kind: str) -> None:
    made = record(DRIVES["own"], Load(bumps=(other,)), RATE)
    assert refusals(made, kind=kind) == ({"two-resonances"} if kind == "driver" else set())


@pytest.mark.parametrize("height", [0.03, 0.1])
def test_small_bumps_are_healthy(height: float) -> None:
    bumps = ((420.0, 12.0, height), (900.0, 20.0, height))
    assert not refusals(record(DRIVES["own"], Load(bumps=bumps), RATE))


@pytest.mark.parametrize("fs", [15.0, 200.0, 3000.0])
@pytest.mark.parametrize(("Qms", "Qes"), [(0.7, 2.3), (15.0, 0.5), (15.0, 5.0)])
def test_resonance_of_any_kind_is_found(fs: float, Qms: float, Qes: float) -> None:
    """15 Hz to 3 kHz, Qms 0.7 to 15, peaks down to Res/Re = 0.3."""
    made = record(own(fs / 6, 20000.0, 2.0, RATE), Load(fs=fs, Qms=Qms, Qes=Qes), RATE)
    assert not refusals(made)


# --- hum, distortion, rates, ends -------------------------------------------------------------


@pytest.mark.parametrize("mains", [50.0, 60.0])
def test_hum(mains: float) -> None:
    near, far = Load(fs=mains * 1.04), Load(fs=400.0, Le=5e-5)
    small, large = hummed(1e-5, mains, RATE), hummed(0.01, mains, RATE)
    assert not refusals(record(DRIVES["own"], near, RATE, fault=small))
    assert refusals(record(DRIVES["own"], near, RATE, fault=large)) == {"hum"}
    elsewhere = findings(record(DRIVES["own"], far, RATE, fault=large))
    assert "hum" in {f.code for f in elsewhere}
    assert not any(f.refuses for f in elsewhere)


def test_distortion_of_a_real_driver() -> None:
    """Stiffness growing with displacement: a little is mentioned at most, much is refused."""
    rate = 12000
    drive = single(12.0, 2500.0, 2.0, rate)
    codes = {}
    for stiffening in (0.02, 2.0):
        volts = np.stack([drive, stepped_driver(drive, rate, stiffening)], axis=1) * LEVEL
        volts += np.random.default_rng(2).normal(0.0, 2e-5, volts.shape)
        codes[stiffening] = refusals(volts.astype(np.float32), rate=rate)
    assert codes == {0.02: set(), 2.0: {"nonlinear"}}


@pytest.mark.parametrize("drive", SWEEPS)
def test_cut_sweep_is_truncated(drive: str) -> None:
    made = record(DRIVES[drive], WOOFER, RATE)
    assert refusals(made[: AT[1]]) == {"truncated"}
    assert refusals(made[AT[0] :]) == {"truncated"}


def test_missing_passes_are_truncated() -> None:
    rig = Rig(name="bench", wiring=Wiring(series_resistor_ohm=10.0))
    stimulus = build(Drive(sweep_seconds=1.5, woofer=True), RATE)
    made = record(stimulus.samples.astype(np.float64), WOOFER, RATE, level=1.0)
    whole = analyse(made, RATE, rig, stimulus=stimulus)
    assert not whole.refused
    half = analyse(made[: stimulus.passes[1].start_frame - 1000], RATE, rig, stimulus=stimulus)
    assert {f.code for f in half.findings if f.refuses} == {"truncated"}


def test_wrong_rate_from_the_known_sweep_and_from_the_mains() -> None:
    rig = Rig(name="bench", wiring=Wiring(series_resistor_ohm=10.0))
    stimulus = build(Drive(sweep_seconds=3.0, woofer=True, stop_hz=15000.0), RATE)
    played = stimulus.samples.astype(np.float64)
    slower = np.interp(np.arange(0, played.size, 44100 / 48000), np.arange(played.size), played)
    made = record(slower, WOOFER, RATE, level=1.0)
    codes = {f.code for f in analyse(made, RATE, rig, stimulus=stimulus).findings if f.refuses}
    assert codes == {"wrong-rate"}
    hum = hummed(3e-4, 50.0, 44100)
    foreign = record(single(10.0, 15000.0, 3.0, 44100), Load(fs=90.0), 44100, fault=hum)
    assert "wrong-rate" not in refusals(foreign, rate=44100)
    assert refusals(foreign, rate=48000) == {"wrong-rate"}


def test_resampling_and_offset_are_mentioned() -> None:
    made = record(DRIVES["own"], WOOFER, RATE) + np.float32(0.03)
    spectrum = np.fft.rfft(made, axis=0)
    spectrum[round(len(spectrum) * 0.7) :] = 0.0
    low_passed = np.fft.irfft(spectrum, len(made), axis=0).astype(np.float32)
    given = findings(low_passed)
    assert {"resampled", "dc-offset"} <= {f.code for f in given}
    assert not any(f.refuses for f in given)


def test_uncalibrated_rig_is_told() -> None:
    given = findings(record(DRIVES["own"], WOOFER, RATE))
    assert {f.code for f in given} == {"uncalibrated"}


def test_every_text_says_what_to_do() -> None:
    """Three sentences' worth: what and where, a number, an imperative from a short list."""
    advice = ("turn ", "use ", "check ", "repeat", "measure ", "switch ", "break ", "correct ",
              "exchange ", "start ", "raise ", "calibrate", "look ", "record ", "set ")  # fmt: skip
    faults = (hard(0.03, 1), lost(AT[1], 64), slipped(AT[1], 7, 1), ridden(0.02, 1))
    for fault in faults:
        for finding in findings(record(DRIVES["own"], WOOFER, RATE, fault=fault)):
            assert any(word in finding.text.lower() for word in advice), finding.text
            assert any(sign.isdigit() for sign in finding.text), finding.text
