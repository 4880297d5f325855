"""What must never pass as good, through the program's own `import` and `fit`.

Recordings and tables are made by numpy alone. Every fault must be refused with a reason that
names it, or be told with the result, or be repaired so that the numbers are right. Healthy
recordings stand beside them and must pass: refusing everything is no way out.
"""

from __future__ import annotations

import json
import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from made_recordings import (
    RATE_HZ,
    Circuit,
    Impedance,
    Samples,
    healthy,
    hum,
    resistor,
    soft,
    varied,
    vented_box,
    without,
    write_wav,
    zeroed,
)
from numpy.typing import NDArray

from cli.main import run

# Bounds for what is reported as good: those of the issue that asked for the independent bench.
BOUNDS = {"Re": 0.005, "fs": 0.002, "Qms": 0.01, "Qes": 0.01}
DRIVER = Circuit()
TRUTH = {"Re": DRIVER.Re, "fs": DRIVER.fs, "Qms": DRIVER.Qms, "Qes": DRIVER.Qes,
         "Mms": DRIVER.Mms, "Cms": DRIVER.compliance}  # fmt: skip


@dataclass(frozen=True)
class Case:
    """One recording: how it is made, codes one of which must be given, words for `import`."""

    name: str
    make: Callable[[], Samples]
    codes: tuple[str, ...] = ()
    words: tuple[str, ...] = ()


def bent(limit: Callable[[Samples], Samples], *channels: int) -> Samples:
    samples = healthy().copy()
    for channel in channels:
        samples[:, channel] = limit(samples[:, channel])
    return samples


def ridden(gain: Callable[[Samples], Samples], *channels: int) -> Samples:
    """Gain as a function of relative time, 0 to 1."""
    samples = healthy().copy()
    for channel in channels:
        samples[:, channel] *= gain(np.linspace(0, 1, len(samples)))
    return samples


def deaf(channel: int, noise: float) -> Samples:
    samples = healthy().copy()
    samples[:, channel] = np.random.default_rng(5).normal(0, noise, len(samples))
    return samples


def constant(z: complex) -> Impedance:
    return lambda f: np.full(f.shape, z)


def blocked(frequency_hz: NDArray[np.float64]) -> NDArray[np.complex128]:
    """A coil that cannot move."""
    return DRIVER.Re + 2j * math.pi * frequency_hz * DRIVER.L1


def burst(frames: int) -> Samples:
    """White noise between silences as excitation, through the same circuit."""

    def drive(sweeps: Samples) -> Samples:
        noise = np.random.default_rng(3).normal(0, 0.1, len(sweeps))
        noise[:frames] = noise[-2 * frames :] = 0
        return noise

    return varied(drive=drive).record()


# The sweep up runs from 0.5 to 1.7 s, the sweep down from 2.2 to 3.4 s; both pass the 41 Hz
# resonance, 0.22 s after the start and before the end.
FAULTS = [
    Case("clipped driver input", lambda: bent(lambda v: np.clip(v, -0.3, 0.3), 1), ("clipped",)),
    Case("clipped source input", lambda: bent(lambda v: np.clip(v, -0.4, 0.4), 0), ("clipped",)),
    Case("clipped at full scale", lambda: np.clip(2.4 * healthy(), -1, 1), ("clipped",)),
    Case("clipped at one end", lambda: bent(lambda v: np.minimum(v, 0.3), 1), ("clipped",)),
    Case("clipped softly", lambda: bent(lambda v: soft(v, 0.5), 1), ("clipped", "nonlinear")),
    Case("block lost", lambda: without(healthy(), 1.0, 512, (0, 1)), ("dropout",)),
    Case("block lost, second pass", lambda: without(healthy(), 3.0, 512, (0, 1)), ("dropout",)),
    Case("64 frames lost", lambda: without(healthy(), 0.9, 64, (0, 1)), ("dropout",)),
    Case("block zeroed", lambda: zeroed(healthy(), 0.8, 480, (0, 1)), ("dropout",)),
    Case("block zeroed in one", lambda: zeroed(healthy(), 0.8, 480, (1,)), ("dropout",)),
    Case("slip by a frame between", lambda: without(healthy(), 1.95, 1, (1,)), ("channel-slip",)),
    Case("slip by a frame within", lambda: without(healthy(), 1.3, 1, (1,)),
         ("channel-slip", "dropout")),
    Case("slip by 512 frames", lambda: without(healthy(), 1.95, 512, (1,)),
         ("channel-slip", "dropout")),
    Case("inputs swapped", lambda: healthy()[:, ::-1], ("swapped-inputs",)),
    Case("same signal on both", lambda: healthy()[:, [0, 0]], ("same-signal",)),
    Case("driver input dead", lambda: deaf(1, 0.0), ("silent-input",)),
    Case("source input dead", lambda: deaf(0, 0.0), ("silent-input",)),
    Case("driver input noise", lambda: deaf(1, 1e-5), ("silent-input", "shorted-driver")),
    Case("source input noise", lambda: deaf(0, 1e-5), ("silent-input", "swapped-inputs")),
    Case("both dead", lambda: 0 * healthy(), ("silent-input",)),
    Case("driver open", varied(load=constant(2e6)).record, ("open-driver", "same-signal")),
    Case("driver shorted", varied(load=constant(0.015 + 0.001j)).record, ("shorted-driver",)),
    Case("too faint", varied(level=5e-5).record, ("faint",)),
    Case("second pass 2 % louder", lambda: ridden(lambda t: np.where(t < 0.5, 1, 1.02), 1),
         ("gain-riding",)),
    Case("gain creeps by 3 %", lambda: ridden(lambda t: 1 + 0.03 * t, 1), ("gain-riding",)),
    Case("automatic gain", lambda: ridden(lambda t: 1 - 0.2 * np.exp(-8 * np.abs(t - 0.2)), 1),
         ("gain-riding",)),
    Case("coil warms by 3 %", varied(second=replace(DRIVER, Re=6.3 * 1.03)).record,
         ("gain-riding",)),
    Case("suspension creeps by 5 %", varied(second=replace(DRIVER, fs=41.0 * 0.975)).record,
         ("gain-riding",)),
    Case("cut off in the second pass", lambda: healthy()[: round(2.9 * RATE_HZ)], ("truncated",)),
    Case("cut off in the first pass", lambda: healthy()[: round(1.0 * RATE_HZ)], ("truncated",)),
    Case("began too late", lambda: healthy()[round(0.9 * RATE_HZ) :], ("truncated",)),
    Case("drive starts above fs", varied(start_hz=120.0).record, ("no-resonance",)),
    Case("drive ends below fs", varied(stop_hz=33.0).record, ("no-resonance",)),
    Case("a resistor", varied(load=resistor).record, ("no-resonance",)),
    Case("coil that cannot move", varied(load=blocked).record, ("no-resonance",)),
    Case("a vented box", varied(load=vented_box).record, ("two-resonances",)),
]  # fmt: skip

HEALTHY = [
    Case("plain", healthy),
    Case("resistor on the ground side", varied(side="ground").record, words=("ground",)),
    Case("40 dB lower", varied(level=5e-3, noise=1e-6).record),
    Case("clipped in the amplifier", varied(drive=lambda d: np.clip(d, -0.35, 0.35)).record),
    Case("both inputs ride alike", lambda: ridden(lambda t: 1 - 0.02 * t, 0, 1)),
    Case("constant offset", lambda: healthy() + np.array([0.01, -0.006])),
    Case("a little hum", lambda: hum(healthy(), (2e-5, 5e-5))),
    Case("burst of noise", lambda: burst(12000)),
]
OTHERS = [
    Case("a resistor as part", varied(load=resistor).record, words=("--kind", "part")),
    Case("a vented box as system", varied(load=vented_box).record, words=("--kind", "system")),
]


@pytest.fixture(scope="module")
def rigs(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    """One rig for each side of the resistor."""
    folder = tmp_path_factory.mktemp("rigs")
    made = {side: folder / f"{side}.toml" for side in ("hot", "ground")}
    for side, path in made.items():
        words = ["--series-resistor", "10ohm", "--resistor-side", side, "--sample-rate", "48000"]
        assert run(["rig", "new", str(path), *words]) == 0
    return made


class Program:
    """The program in this process: same code as a process of its own, less waiting."""

    def __init__(
        self, folder: Path, rigs: dict[str, Path], capsys: pytest.CaptureFixture[str]
    ) -> None:
        self.folder, self._rigs, self._capsys = folder, rigs, capsys

    def run(self, *words: str | Path) -> tuple[int, str, str]:
        self._capsys.readouterr()
        status = run([str(word) for word in words])
        out, err = self._capsys.readouterr()
        return status, out, err

    def import_case(self, case: Case) -> tuple[int, str, str]:
        wav = write_wav(self.folder / "capture.wav", case.make())
        side = "ground" if case.words == ("ground",) else "hot"
        words = () if case.words == ("ground",) else case.words
        return self.run(
            "import", wav, "--rig", self._rigs[side], "--unit", "larch-17",
            "--out", self.folder / "takes", *words,
        )  # fmt: skip

    def fit(self, *words: str | Path) -> tuple[int, dict[str, Any]]:
        """Status and the one object of ``fit --json``."""
        status, out, _ = self.run("fit", *words, "--json")
        return status, json.loads(out)


@pytest.fixture
def program(tmp_path: Path, rigs: dict[str, Path], capsys: pytest.CaptureFixture[str]) -> Program:
    return Program(tmp_path, rigs, capsys)


def errors(report: dict[str, Any], names: tuple[str, ...] = tuple(BOUNDS)) -> dict[str, float]:
    return {name: report["parameters"][name]["value"] / TRUTH[name] - 1 for name in names}


def name_of(case: Case) -> str:
    return case.name


@pytest.mark.parametrize("case", FAULTS, ids=name_of)
def test_fault_is_refused_and_named(case: Case, program: Program) -> None:
    status, out, err = program.import_case(case)
    said = {word.strip("[],") for word in err.replace(":", " ").split()}
    assert status == 1, (out, err)
    assert said & set(case.codes), err
    # Kept, as a take marked refused, and no fit takes it for good.
    kept = [path.parent for path in (program.folder / "takes").rglob("take.json")]
    assert len(kept) == 1
    status, report = program.fit(kept[0])
    assert status == 1
    assert report["refused"] is True


@pytest.mark.parametrize("case", HEALTHY, ids=name_of)
def test_healthy_recording_passes_and_is_right(case: Case, program: Program) -> None:
    status, out, err = program.import_case(case)
    assert status == 0, err
    status, report = program.fit(out.splitlines()[-1])
    assert status == 0, report
    for name, error in errors(report).items():
        assert abs(error) < BOUNDS[name], (name, error)


@pytest.mark.parametrize("case", OTHERS, ids=name_of)
def test_what_is_no_bare_driver_passes_as_what_it_is(case: Case, program: Program) -> None:
    status, _, err = program.import_case(case)
    assert status == 0, err


@pytest.mark.parametrize("frames_late", [0, 1])
@pytest.mark.parametrize("gain", [0.97, 1.03])
def test_inputs_that_differ_as_cards_do_are_no_fault(
    gain: float, frames_late: int, program: Program
) -> None:
    """3 % between uncompared inputs: believed, and owned up to in the intervals.

    A frame on top can turn the impedance of an inductive coil so far that nothing passive has
    it; that may be refused, but as what it is.
    """
    samples = healthy() * np.array([0.9, 0.9 * gain])
    samples[:, 1] = np.roll(samples[:, 1], frames_late)
    status, out, err = program.import_case(Case("mismatch", lambda: samples))
    assert "two-resonances" not in err, err
    if frames_late and status == 1:
        assert "not-passive" in err, err
        return
    assert status == 0, err
    status, report = program.fit(out.splitlines()[-1])
    assert status == 0, report
    low, high = report["parameters"]["Re"]["interval_95"]
    assert low <= DRIVER.Re <= high
    assert abs(report["parameters"]["fs"]["value"] / DRIVER.fs - 1) < BOUNDS["fs"]


@pytest.mark.parametrize("amplitude", [1e-4, 1e-3, 5e-3, 3e-2])
def test_hum_at_the_resonance_is_refused_or_taken_out(amplitude: float, program: Program) -> None:
    """Mains hum on the driver input, 0.02 % to 6 % of the drive, right where fs is."""
    near = replace(DRIVER, fs=50.0)
    case = Case("hum", lambda: hum(varied(load=near).record(), (amplitude / 4, amplitude)))
    status, out, err = program.import_case(case)
    if status == 1:
        assert "[hum]" in err, err
        assert amplitude > 2e-4, "hum 74 dB below the drive is no reason to refuse"
        return
    status, report = program.fit(out.splitlines()[-1])
    assert status == 0, report
    expected = {**TRUTH, "fs": 50.0}
    for name, bound in BOUNDS.items():
        estimate = report["parameters"][name]
        low, high = estimate["interval_95"]
        assert abs(estimate["value"] / expected[name] - 1) < bound, name
        assert low <= expected[name] <= high, name


FREQUENCY = np.geomspace(10, 20000, 300)
FREE_TABLE = DRIVER
LOADED = replace(DRIVER, added_mass=12e-3)
BOXED = replace(DRIVER, box=12e-3)


def table(path: Path, load: Impedance, scale: float = 1.0, phase_unit: float = 1.0) -> Path:
    """Magnitude and phase with noise of 1e-4 of |Z| per component."""
    rng = np.random.default_rng(list(path.name.encode()))
    z = scale * load(FREQUENCY)
    sigma = 1e-4 * np.abs(z)
    z = z + sigma * (rng.normal(size=z.size) + 1j * rng.normal(size=z.size))
    rows = [
        f"{f:.9g},{abs(v):.9g},{math.degrees(np.angle(v)) * phase_unit:.9g},{u:.3g}"
        for f, v, u in zip(FREQUENCY, z, sigma, strict=True)
    ]
    head = "frequency_hz,magnitude_ohm,phase_deg,standard_uncertainty_ohm"
    path.write_text("\n".join([head, *rows, ""]))
    return path


@dataclass(frozen=True)
class Confusion:
    """Takes mixed up or spoilt, as tables; what the fit is told, and the parameters at stake."""

    name: str
    free: Impedance = DRIVER
    mass: Impedance | None = None
    box: Impedance | None = None
    scale: float = 1.0
    phase_unit: float = 1.0
    words: tuple[str, ...] = ()
    at_stake: tuple[str, ...] = ("Re", "fs", "Qms", "Qes")


MECHANICAL = ("fs", "Mms", "Cms")
CONFUSIONS = [
    Confusion("mass fell off", mass=DRIVER, at_stake=MECHANICAL),
    Confusion("half of the mass fell off", mass=replace(DRIVER, added_mass=6e-3), box=BOXED,
              at_stake=MECHANICAL),
    Confusion("mass and free air exchanged", free=LOADED, mass=DRIVER, at_stake=MECHANICAL),
    Confusion("box and free air exchanged", free=BOXED, box=DRIVER, at_stake=MECHANICAL),
    Confusion("mass and box exchanged", mass=BOXED, box=LOADED, at_stake=MECHANICAL),
    Confusion("leaky box", box=replace(BOXED, leak_q=4.0), at_stake=("Vas",)),
    Confusion("very leaky box", box=replace(BOXED, leak_q=1.0), at_stake=("Vas",)),
    Confusion("another unit carries the mass",
              mass=replace(LOADED, fs=47.0, Re=6.8, Qes=0.7), at_stake=MECHANICAL),
    Confusion("resistor wrong by a tenth", scale=1.1, words=("--measured-re", "6.3ohm±0.05ohm"),
              at_stake=("Re",)),
    Confusion("magnitudes in kilohm", scale=1e-3),
    Confusion("phase in radians", phase_unit=math.pi / 180),
    Confusion("phase reversed", phase_unit=-1.0),
    Confusion("a resistor", free=resistor),
    Confusion("a coil that cannot move", free=blocked),
    Confusion("a vented box", free=vented_box),
]  # fmt: skip


@pytest.mark.parametrize("confusion", CONFUSIONS, ids=lambda confusion: confusion.name)
def test_confused_takes_are_never_silently_wrong(confusion: Confusion, program: Program) -> None:
    """Refused, or told beside the result, or the result is right within its interval."""
    spoilt = (confusion.scale, confusion.phase_unit)
    words: list[str | Path] = [table(program.folder / "free.csv", confusion.free, *spoilt)]
    if confusion.mass is not None:
        path = table(program.folder / "mass.csv", confusion.mass, *spoilt)
        words += ["--added-mass", f"{path}=12g±0.1g"]
    if confusion.box is not None:
        path = table(program.folder / "box.csv", confusion.box, *spoilt)
        words += ["--test-box", f"{path}=12L±0.1L"]
    area = ("--area", f"{DRIVER.Sd * 1e4:.3f}cm2±0.5cm2")
    status, report = program.fit(*words, *area, *confusion.words)
    if status:
        assert status == 1, report
        assert report["reasons"]
        return
    if report["warnings"] or report["findings"]:
        return
    truth = {**TRUTH, "Vas": 141900 * DRIVER.Sd**2 * DRIVER.compliance}
    for name in confusion.at_stake:
        low, high = report["parameters"][name]["interval_95"]
        assert low <= truth[name] <= high, (name, report["parameters"][name], truth[name])


def test_sound_takes_raise_no_doubt(program: Program) -> None:
    """The same tables without a confusion: right, and nothing to say."""
    words = [
        table(program.folder / "free.csv", DRIVER),
        "--added-mass", f"{table(program.folder / 'mass.csv', LOADED)}=12g±0.1g",
        "--test-box", f"{table(program.folder / 'box.csv', BOXED)}=12L±0.1L",
        "--area", f"{DRIVER.Sd * 1e4:.3f}cm2±0.5cm2",
    ]  # fmt: skip
    status, report = program.fit(*words)
    assert status == 0, report
    assert not report["warnings"]
    for name, error in errors(report, ("Re", "fs", "Qms", "Qes", "Mms", "Cms")).items():
        assert abs(error) < 0.01, name


@pytest.mark.parametrize(
    ("name", "line"),
    [
        ("not a number", "100,nan,3"),
        ("infinite", "100,inf,3"),
        ("negative frequency", "-100,12,3"),
        ("frequency twice", "80,12,3"),
        ("zero frequency", "0,12,3"),
        ("negative magnitude", "100,-12,3"),
        ("a word", "100,twelve,3"),
    ],
)
def test_spoilt_table_names_its_line(name: str, line: str, program: Program) -> None:
    path = program.folder / "table.csv"
    rows = [f"{f:g},{10 + f / 100:g},3" for f in (20, 40, 60, 80)]
    path.write_text("\n".join(["frequency_hz,magnitude_ohm,phase_deg", *rows, line, ""]))
    status, out, err = program.run("fit", path)
    assert status == 2, (out, err)
    assert out == ""
    assert "6" in err.replace(str(path), ""), err
