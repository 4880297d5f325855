"""From a circuit simulator's node voltages to parameters, through the program itself.

ngspice plays amplifier, resistor, inputs and driver; what leaves it is white noise, quantisation
to 24 bits and a WAV file away from what a person would import. Nothing of the project took part
in making it. The resistor, the mass and the box are off from what the program is told, within
what it is told of their limits, so that the intervals are put to the test as well.

Bounds: those of the issue that asked for this test. The simulator's own error is quantified in
`test_solver_error_is_too_small_to_matter` and stays below a tenth of them.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from ngspice_bench import (
    OVERSAMPLING,
    RATE_HZ,
    STEP_SECONDS,
    Bench,
    Card,
    Driver,
    Load,
    ac_impedance,
    excitation,
    node_voltages,
    nonlinear,
    write_wav24,
)
from numpy.typing import NDArray
from program import fit_json, freeair, succeed, take_path
from scipy.optimize import least_squares

pytestmark = pytest.mark.ngspice

BOUNDS = {
    "Re": 0.005, "fs": 0.002, "Qms": 0.01, "Qes": 0.01,
    "Mms": 0.01, "Bl": 0.01, "Cms": 0.01, "Vas": 0.02,
}  # fmt: skip
FREE_AIR = ("Re", "fs", "Qms", "Qes")

DRIVER = Driver()
FREE = Load()
MASS = Load(mass=12.04e-3)  # the program is told 12g±0.1g
BOX = Load(box=11.95e-3)  # told 12L±0.1L
HOT = Bench(resistor=10.02, side="hot", driver_input=22e3)  # told 10ohm within 0.5 %
GROUND = Bench(resistor=9.98, side="ground", driver_input=10e3, volt_peak=0.8)
CARD = Card(gain=1.03)
# The motor and the suspension give way over 5 mm: 10 mV move the cone 5 um, which stiffens the
# suspension by 2 (5e-6/5e-3)^2, a part in a million of fs; 10 V move it 4 mm.
FAINT = Bench(resistor=10.02, volt_peak=0.01)
LOUD = Bench(resistor=10.02, volt_peak=10.0)


@dataclass(frozen=True)
class Simulated:
    """One transient run of one sweep or of several, up and down in turn."""

    driver: Driver
    bench: Bench
    load: Load
    sweeps: tuple[float, ...] = (2.4, 2.4)

    def voltages(self, folder: Path) -> NDArray[np.float64]:
        """Both inputs at 48 kHz [V]."""
        drive = excitation(self.sweeps)
        return node_voltages(self.driver, self.bench, self.load, drive, folder)[::OVERSAMPLING]


RUNS = {
    "hot-free": Simulated(DRIVER, HOT, FREE),
    "hot-mass": Simulated(DRIVER, HOT, MASS),
    "hot-box": Simulated(DRIVER, HOT, BOX),
    "ground-free": Simulated(DRIVER, GROUND, FREE, (5.0,)),
    "ground-mass": Simulated(DRIVER, GROUND, MASS, (5.0,)),
    "faint": Simulated(nonlinear(DRIVER), FAINT, FREE, (1.6, 1.6)),
    "loud": Simulated(nonlinear(DRIVER), LOUD, FREE, (1.6, 1.6)),
}


class Recordings:
    """WAV files of the runs; all runs start at once and each is waited for when needed."""

    def __init__(self, folder: Path, pool: ThreadPoolExecutor) -> None:
        self._folder = folder
        self._volts: dict[str, Future[NDArray[np.float64]]] = {
            name: pool.submit(run.voltages, folder / name) for name, run in RUNS.items()
        }

    def volts(self, run: str) -> NDArray[np.float64]:
        return self._volts[run].result()

    def wav(self, run: str, card: Card = CARD) -> Path:
        seed = sorted(RUNS).index(run)
        return write_wav24(self._folder / f"{run}.wav", card.record(self.volts(run), seed))

    def same_node(self, run: str, card: Card = CARD) -> Path:
        """Both inputs on the source node, as a calibration asks."""
        volts = self.volts(run)[:, [0, 0]]
        return write_wav24(self._folder / f"{run}-same-node.wav", card.record(volts, 99))


@pytest.fixture(scope="module")
def recordings(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Recordings]:
    with ThreadPoolExecutor(2) as pool:
        yield Recordings(tmp_path_factory.mktemp("ngspice"), pool)


def new_rig(folder: Path, bench: Bench) -> Path:
    rig = folder / "bench.toml"
    succeed(
        "rig", "new", rig, "--series-resistor", "10ohm", "--tolerance", "0.5",
        "--resistor-side", bench.side, "--input-resistance", f"{bench.driver_input:g}ohm",
        "--sample-rate", str(RATE_HZ),
    )  # fmt: skip
    return rig


def import_take(folder: Path, rig: Path, wav: Path, *words: str | Path) -> Path:
    return take_path(
        succeed(
            "import", wav, "--rig", rig, "--unit", "larch-17", "--out", folder / "takes", *words
        )
    )


def check(report: Mapping[str, Any], truth: Mapping[str, float], names: tuple[str, ...]) -> None:
    """Every named parameter within its bound, its 95 % interval around the truth."""
    wrong = []
    for name in names:
        estimate = report["parameters"][name]
        error = estimate["value"] / truth[name] - 1
        low, high = estimate["interval_95"]
        if abs(error) > BOUNDS[name] or not low <= truth[name] <= high:
            wrong.append(
                f"{name}: {error:+.4%}, interval {low / truth[name] - 1:+.4%} "
                f"to {high / truth[name] - 1:+.4%}"
            )
    assert not wrong, "; ".join(wrong)


@pytest.fixture(scope="module")
def hot(recordings: Recordings, tmp_path_factory: pytest.TempPathFactory) -> dict[str, Any]:
    """The joint fit of free air, added mass and test box, resistor on the hot side."""
    folder = tmp_path_factory.mktemp("hot")
    rig = new_rig(folder, HOT)
    calibration = ("--calibration", recordings.same_node("hot-free"))
    takes = [
        import_take(folder, rig, recordings.wav("hot-free"), *calibration),
        import_take(
            folder, rig, recordings.wav("hot-mass"), "--added-mass", "12g±0.1g", *calibration
        ),
        import_take(folder, rig, recordings.wav("hot-box"), "--test-box", "12L±0.1L", *calibration),
    ]
    return fit_json(
        *takes, "--diameter", "130mm±0.5mm", "--air-temperature", "20C",
        "--air-pressure", "1013.25hPa", "--relative-humidity", "50",
    )  # fmt: skip


def test_hot_side_free_air_mass_and_box(hot: dict[str, Any]) -> None:
    check(hot, DRIVER.truth(), tuple(BOUNDS))


def test_intervals_are_no_wider_than_what_is_declared(hot: dict[str, Any]) -> None:
    """0.5 % resistor, 0.8 % mass, 0.8 % box, 0.4 % diameter: nothing needs 4 % but Vas.

    Without a short, leads of 0.05 ohm are 0.8 % of Re, and contacts of the resistor 0.5 %.

    Limits: the sum of all declared limits with their exponents, times 1.13 (95 % point of a
    normal law over the limits of a rectangular one), rounded up.
    """
    widest = {"Re": 0.021, "fs": 0.003, "Qms": 0.02, "Qes": 0.02, "Mms": 0.02, "Bl": 0.02,
              "Cms": 0.02, "Vas": 0.04}  # fmt: skip
    for name, limit in widest.items():
        # What this recording says; what another sitting would add is no limit of the bench.
        low, high = hot["parameters"][name]["of_this_recording"]["interval_95"]
        assert (high - low) / (high + low) < limit, name


def test_area_from_mass_and_box(hot: dict[str, Any]) -> None:
    """Mass and box together measure the area: no ruler needed (physics of both conditions)."""
    estimate = hot["parameters"]["Sd_from_takes"]
    low, high = estimate["interval_95"]
    assert low <= DRIVER.Sd <= high
    assert estimate["value"] == pytest.approx(DRIVER.Sd, rel=0.01)


def test_ground_side_free_air_and_mass(recordings: Recordings, tmp_path: Path) -> None:
    """One sweep up only: nothing to compare passes with."""
    rig = new_rig(tmp_path, GROUND)
    calibration = ("--calibration", recordings.same_node("ground-free"))
    takes = [
        import_take(tmp_path, rig, recordings.wav("ground-free"), *calibration),
        import_take(
            tmp_path, rig, recordings.wav("ground-mass"), "--added-mass", "12g±0.1g", *calibration
        ),
    ]
    check(fit_json(*takes), DRIVER.truth(), (*FREE_AIR, "Mms", "Bl", "Cms"))


def test_nonlinear_driver_at_a_low_level(recordings: Recordings, tmp_path: Path) -> None:
    rig = new_rig(tmp_path, FAINT)
    card = replace(CARD, volt_full_scale=0.05, noise_volt=1e-6)
    take = import_take(
        tmp_path, rig, recordings.wav("faint", card),
        "--calibration", recordings.same_node("faint", card),
    )  # fmt: skip
    report = fit_json(take)
    check(report, DRIVER.truth(), FREE_AIR)
    assert "nonlinear" not in {doubt["code"] for doubt in report["findings"] + report["warnings"]}


def test_nonlinear_driver_at_a_high_level_is_told(recordings: Recordings, tmp_path: Path) -> None:
    """Its impedance is no longer that of any linear driver: refused, or said with the result."""
    rig = new_rig(tmp_path, LOUD)
    card = replace(CARD, volt_full_scale=16.0)
    done = freeair(
        "import", recordings.wav("loud", card), "--rig", rig, "--unit", "larch-17",
        "--out", tmp_path / "takes", "--calibration", recordings.same_node("loud", card),
    )  # fmt: skip
    assert done.returncode in (0, 1), done.stderr
    if done.returncode == 1:
        assert "nonlinear" in done.stderr
    else:
        report = fit_json(take_path(done.stdout))
        doubts = {doubt["code"] for doubt in report["findings"] + report["warnings"]}
        assert "nonlinear" in doubts, report["parameters"]


def warped(frequency_hz: NDArray[np.float64]) -> NDArray[np.float64]:
    """Where the trapezoidal solver shows the continuous circuit's response."""
    return np.tan(np.pi * frequency_hz * STEP_SECONDS) / (np.pi * STEP_SECONDS)


def circuit_impedance(
    frequency_hz: NDArray[np.float64], logarithms: NDArray[np.float64]
) -> NDArray[np.complex128]:
    """Ladder coil and resonance by (Re, L1, L2, R2, fs, Qms, Qes), for this file alone."""
    Re, L1, L2, R2, fs, Qms, Qes = np.exp(logarithms)
    s = 2j * np.pi * frequency_hz
    detuning = frequency_hz / fs - fs / frequency_hz
    motion = Re * Qms / Qes / (1 + 1j * Qms * detuning)
    return Re + s * L1 + s * L2 * R2 / (R2 + s * L2) + motion


def test_recording_shows_the_circuit(recordings: Recordings, tmp_path: Path) -> None:
    """The reference is checked too: transient against AC analysis, 1 part in 1e5.

    The plain ratio of spectra of the noise-free record, input loading taken out, at
    frequencies where the sweep drives; the solver's warp is put in on the AC side.
    """
    volts = recordings.volts("hot-free")
    ratio = np.divide(*np.fft.rfft(volts, axis=0).T[::-1])
    bins = np.unique(np.geomspace(15, 4500, 200) * len(volts) / RATE_HZ).astype(int)
    f = bins * RATE_HZ / len(volts)
    seen = HOT.resistor * ratio[bins] / (1 - ratio[bins])
    measured = 1 / (1 / seen - 1 / HOT.driver_input)
    truth = DRIVER.truth()
    start = np.log([DRIVER.Re, 0.3e-3, 0.5e-3, 4.0, truth["fs"], truth["Qms"], truth["Qes"]])
    f_ac, z_ac = ac_impedance(DRIVER, FREE, tmp_path)
    assert np.max(np.abs(circuit_impedance(f_ac, start) / z_ac - 1)) < 1e-9
    expected = circuit_impedance(warped(f), start)
    assert np.max(np.abs(measured / expected - 1)) < 1e-5


def test_solver_error_is_too_small_to_matter() -> None:
    """Fitting the warped curve moves no parameter by more than a tenth of its bound."""
    f = np.geomspace(10, 5000, 400)
    truth = DRIVER.truth()
    start = np.log([DRIVER.Re, 0.3e-3, 0.5e-3, 4.0, truth["fs"], truth["Qms"], truth["Qes"]])
    shown = circuit_impedance(warped(f), start)

    def residual(logarithms: NDArray[np.float64]) -> NDArray[np.float64]:
        return (circuit_impedance(f, logarithms) - shown).view(float)

    moved = least_squares(residual, start, xtol=1e-14, ftol=1e-14).x - start
    for name, index in {"Re": 0, "fs": 4, "Qms": 5, "Qes": 6}.items():
        assert abs(moved[index]) < BOUNDS[name] / 10, name
