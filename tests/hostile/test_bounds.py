"""Sizes and values are bounded before anything is allocated: a refusal costs 1 GB and 20 s at most.

The limits of a gigabyte and of 20 seconds are the promise; the clock of a busy machine is no
measure, so seconds are those of the processor.
"""

from __future__ import annotations

import os
from pathlib import Path

import numpy as np
import pytest
from made_recordings import Bench, write_wav
from program import succeed
from watched import watched

pytestmark = pytest.mark.skipif(not hasattr(os, "wait4"), reason="peak memory needs wait4 (POSIX)")

MOST_BYTES, MOST_SECONDS = 1e9, 20.0


def refused(*words: str | Path, status: int = 2) -> str:
    done = watched(*words)
    assert done.status == status, done.told
    assert done.bytes < MOST_BYTES
    assert done.seconds < MOST_SECONDS
    return done.told


@pytest.fixture
def rig(tmp_path: Path) -> Path:
    path = tmp_path / "bench.toml"
    succeed("rig", "new", path, "--series-resistor", "10ohm", "--device", "simulated")
    return path


def silent(path: Path, frames: int) -> Path:
    import soundfile

    block = np.zeros((1_000_000, 2), np.int16)
    with soundfile.SoundFile(str(path), "w", 48000, 2, "PCM_16") as file:
        for _ in range(frames // len(block)):
            file.write(block)
    return path


def test_hours_of_silence(rig, tmp_path):
    """Lossless compression hides 60 million frames in a few kilobytes."""
    flac = silent(tmp_path / "long.flac", 60_000_000)
    assert flac.stat().st_size < 1e6
    words = ["import", flac, "--rig", rig, "--unit", "x", "--out", tmp_path]
    assert "million samples" in refused(*words)
    flac = silent(tmp_path / "longest.flac", 12_000_000)  # the longest that is read
    words[1] = flac
    assert "silent" in refused(*words, status=1)


@pytest.mark.parametrize(
    "wrong",
    [
        "drive.sweep_seconds = 100000", "drive.start_hz = 1e-9", "drive.start_hz = 1e-300",
        "drive.repeats = 50\ndrive.sweep_seconds = 120", "drive.stop_hz = 1e300",
        "drive.excitation = 'multisine'\ndrive.period_seconds = 60\ndrive.periods = 200",
        "drive.excitation = 'stepped'\ndrive.tone_seconds = 20",
        "drive.excitation = 'stepped'\ndrive.start_hz = 0.5\ndrive.tone_seconds = 5",
        "drive.gentle_below_hz = 1e-300",
        "simulated.driver_input_delay_s = 1e9", "simulated.driver_input_delay_s = -1e9",
        "simulated.latency_s = 1e9", "simulated.fs_hz = 1e300", "simulated.Re_ohm = 1e-300",
        "simulated.noise_volt_rms = 1e300", "simulated.seed = -1", "simulated.Qms = 1e300",
        "assumptions.mismatch_percent = 1e300", "assumptions.mismatch_delay_samples = 1e300",
        "assumptions.calibration_days = 1e300", "wiring.source_input = 1000000000",
        "wiring.series_resistor_ohm = 1e300", "card.sample_rate_hz = 1000000000",
    ],
)  # fmt: skip
def test_rigs_beyond_any_bench(wrong, rig, tmp_path):
    import tomlkit

    document = tomlkit.parse(rig.read_text())
    for line in wrong.splitlines():
        key, _, value = line.partition(" = ")
        table, _, name = key.partition(".")
        document.setdefault(table, {})[name] = tomlkit.value(value)
    rig.write_text(tomlkit.dumps(document))
    told = refused("take", "x", "--rig", rig, "--out", tmp_path / "takes", "--yes")
    assert wrong.split(" = ")[0].split(".")[1] in told or "million samples" in told, told
    assert not list((tmp_path / "takes").glob("*"))


STANDARD = """
[[calibration.standards]]
kind = "resistor"
resistance_ohm = {ohm}
tolerance_percent = 1.0
taken_at = "2026-03-01T10:00:00+01:00"
sample_rate_hz = 48000
device = "x"
source_input = 1
driver_input = 2
points = [{points}]
"""


@pytest.mark.parametrize(("standards", "points"), [(1, 100_000), (10_000, 2)])
def test_more_standards_or_points_than_anybody_measures(standards, points, rig, tmp_path):
    rows = ",".join(f"[{hz}.0,0.5,0.0,0.1]" for hz in range(10, 10 + points))
    text = "".join(STANDARD.format(ohm=1.0 + k, points=rows) for k in range(standards))
    rig.write_text(rig.read_text() + text)
    refused("take", "x", "--rig", rig, "--out", tmp_path, "--yes")


def test_harmonics_that_fill_the_disk_are_passed_by(tmp_path):
    """A table beside the point of a fit is read within bounds, or not at all."""
    import driver_bench
    from made_archive import write_take

    take = write_take(tmp_path, "spark-1", driver_bench.MIDRANGE)
    (take / "distortion.csv").write_bytes(
        b"frequency_hz,harmonic_2_percent\n" + b"1,1\n" * 10_000_000
    )
    done = watched("fit", take)
    assert done.status == 0, done.told
    assert done.bytes < MOST_BYTES


@pytest.mark.parametrize(("seconds", "rate"), [(60, 192000)])
def test_a_minute_at_192_khz_takes_less_than_a_gigabyte(seconds, rate, tmp_path):
    """The longest recording that the project promises to process."""
    bench = Bench(rate_hz=rate, sweep_seconds=(seconds - 3 * 1.0) / 2, gap_seconds=1.0)
    wav = write_wav(tmp_path / "long.wav", bench.record(), rate)
    size = seconds * rate * 2 * 3
    assert wav.stat().st_size >= size
    rig = tmp_path / "bench.toml"
    succeed("rig", "new", rig, "--series-resistor", "10ohm", "--sample-rate", str(rate))
    done = watched("import", wav, "--rig", rig, "--unit", "larch-17", "--out", tmp_path)
    assert done.status == 0, done.told
    # At least the samples themselves went through that process.
    assert size < done.bytes < MOST_BYTES


@pytest.mark.parametrize("command", ["fit", "part"])
def test_a_million_rows_within_two_gigabytes(command, tmp_path):
    """Memory linear in rows: the limit of two gigabytes is the promise."""
    import driver_bench

    frequency = np.linspace(5.0, 20e3, 1_000_000)
    if command == "fit":
        z, words = driver_bench.WOOFER.impedance(frequency), ["fit"]
    else:
        z, words = 0.5 + 2j * np.pi * frequency * 1e-3, ["part", "inductor"]
    rng = np.random.default_rng(1)
    z = z * (1 + 1e-3 * (rng.standard_normal(z.size) + 1j * rng.standard_normal(z.size)))
    table = np.column_stack([frequency, z.real, z.imag])
    path = tmp_path / "long.csv"
    header = "frequency_hz,resistance_ohm,reactance_ohm"
    np.savetxt(path, table, fmt="%.6f", delimiter=",", header=header, comments="")
    done = watched(*words, path)
    assert done.status == 0, done.told
    assert done.bytes < 2e9


def test_more_arms_than_anybody_solders(tmp_path):
    """Three thousand arms are refused, not solved for a minute."""
    arm = '[[woofer]]\nplace = "series"\nresistor = "1ohm"\n\n'
    network = tmp_path / "network.toml"
    network.write_text('format = "freeair-network/1"\n\n' + arm * 3000)
    (tmp_path / "woofer.csv").write_text("frequency_hz,magnitude_ohm\n20,6\n200,7\n2000,8\n")
    told = refused("filter", network, "--woofer", tmp_path / "woofer.csv")
    assert "3000 arms" in told


def test_layers_beyond_any_coil():
    words = ["--former", "20mm", "--wire", "0.2mm", "--layers", "1000000000"]
    assert "no voice coil" in refused("wind", *words, "--turns", "2000000000")
    assert "no voice coil" in refused("wind", *words, "--resistance", "6ohm")


@pytest.mark.parametrize(
    "words",
    [
        ("box", "noise.csv", "--volume", "20L"),
        ("box", "broken.json", "--volume", "20L"),
        ("box-check", "noise.csv", "--driver", "broken.json"),
        ("filter", "--woofer", "noise.csv", "--tweeter", "noise.csv", "--crossover", "2kHz"),
        ("part", "capacitor", "noise.csv"),
        ("part", "inductor", "few.csv"),
        ("wind", "--resistance", "-6ohm"),
        ("polarity", "press", "lantern", "--rig", "noise.csv"),
        ("levels", "noise.csv=0.1", "few.csv=0.2"),
        ("series", "summary", "noise.csv", "few.csv"),
    ],
    ids=lambda words: words[0],
)
def test_what_a_command_cannot_use_is_told(words, tmp_path, monkeypatch):
    """Noise for a curve, torn JSON, a word too many: told at once, and no traceback."""
    monkeypatch.chdir(tmp_path)
    rng = np.random.default_rng(1)
    rows = [f"{f},{a},{b}" for f, (a, b) in zip(range(10, 2010), rng.normal(0, 9, (2000, 2)),
                                                strict=True)]  # fmt: skip
    head = "frequency_hz,resistance_ohm,reactance_ohm"
    Path("noise.csv").write_text("\n".join([head, *rows, ""]))
    Path("few.csv").write_text("\n".join([head, *rows[:3], ""]))
    Path("broken.json").write_text('{"format": "freeair-fit/1", "parameters": {')
    done = watched(*words)
    assert done.status in (1, 2), done.told
    assert any(Path(word.partition("=")[0]).name in done.told for word in words[1:]), done.told
    assert "No such option" not in done.told
    assert "Traceback" not in done.told
    assert "mistake in freeair" not in done.told
    assert done.seconds < MOST_SECONDS
