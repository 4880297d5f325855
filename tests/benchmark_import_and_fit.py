"""How long the main job takes, beside plain lmfit on the same data. A script, not a test.

    python tests/benchmark_import_and_fit.py

prints, in one run: starting the program; importing a 6 s stereo recording of 48 kHz to a stored
take; a joint fit of three takes of 400 points, with one coil model and with the choice among all;
and the same joint problem as anybody would write it, lmfit with numeric derivatives, started
within a third of the truth. Ratios matter, seconds belong to the machine.
"""

from __future__ import annotations

import argparse
import contextlib
import io
import math
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path

if __name__ == "__main__":
    sys.path[:0] = [str(Path(__file__).resolve().parent), str(Path(__file__).resolve().parents[1])]

import numpy as np
from made_recordings import Bench, Circuit, write_wav

MASS, VOLUME, RHO_C2 = 12e-3, 12e-3, 141900.0
DRIVER = Circuit()
LOADS = (DRIVER, replace(DRIVER, added_mass=MASS), replace(DRIVER, box=VOLUME))


def best_of(repeat: int, work: Callable[[], object]) -> float:
    """Least of several times [s]; the rest is what else the machine did."""
    times = []
    for _ in range(repeat):
        begin = time.perf_counter()
        work()
        times.append(time.perf_counter() - begin)
    return min(times)


def three_curves(points: int) -> tuple[np.ndarray, list[np.ndarray], list[np.ndarray]]:
    """Frequencies, impedances and uncertainties of free air, added mass and test box."""
    frequency_hz = np.geomspace(10, 20000, points)
    rng = np.random.default_rng(11)
    curves, sigmas = [], []
    for load in LOADS:
        z = load(frequency_hz)
        sigma = 1e-4 * np.abs(z)
        noise = rng.normal(size=points) + 1j * rng.normal(size=points)
        curves.append(z + sigma * noise)
        sigmas.append(sigma)
    return frequency_hz, curves, sigmas


def time_import(folder: Path, seconds: float, repeat: int) -> tuple[float, float, float]:
    """Starting a process, importing in one, importing in this one once it is warm [s]."""
    from cli import main as program

    bench = Bench(sweep_seconds=(seconds - 3 * 0.5) / 2)
    wav = write_wav(folder / "capture.wav", bench.record())
    rig = folder / "bench.toml"
    counter = iter(range(10**6))

    def run(process: bool, words: Sequence[str]) -> None:
        if process:
            command = [sys.executable, "-m", "cli.main", *words]
            root = Path(__file__).resolve().parents[1]
            subprocess.run(command, cwd=root, check=True, capture_output=True)
            return
        with contextlib.redirect_stdout(io.StringIO()), contextlib.redirect_stderr(io.StringIO()):
            status = program.run(words)
        if status:
            raise SystemExit(f"freeair {' '.join(words)} ended with status {status}")

    def words() -> list[str]:
        out = str(folder / f"takes{next(counter)}")
        return ["import", str(wav), "--rig", str(rig), "--unit", "larch-17", "--out", out]

    run(False, ["rig", "new", str(rig), "--series-resistor", "10ohm"])
    run(False, words())
    start = best_of(repeat, lambda: run(True, ["--version"]))
    whole = best_of(repeat, lambda: run(True, words()))
    return start, whole, best_of(repeat, lambda: run(False, words()))


def time_ours(points: int, repeat: int, model: str) -> float:
    """The project's joint fit: starting values, coil models, errors and budget included [s]."""
    from fit.joint import fit_driver
    from fit.measured import AddedMass, FreeAir, MeasuredCurve, Session, Stated, TestBox
    from meas.curve import ImpedanceCurve

    def stated(value: float, half_width: float, source: str) -> Stated:
        return Stated(value, half_width, source, source)

    frequency_hz, curves, sigmas = three_curves(points)
    conditions = (
        FreeAir(),
        AddedMass(stated(MASS, 1e-4, "mass:12g")),
        TestBox(stated(VOLUME, 1e-4, "volume:12L")),
    )
    measured = [
        MeasuredCurve(condition.name, ImpedanceCurve(frequency_hz, z, sigma), condition)
        for condition, z, sigma in zip(conditions, curves, sigmas, strict=True)
    ]
    session = Session(
        area=stated(DRIVER.Sd, 1e-4, "ruler"),
        measured_re=None,
        moving_parts=None,
        pressure=stated(101325.0, 500.0, "air-pressure"),
        temperature=stated(293.15, 1.0, "air-temperature"),
        relative_humidity=stated(0.5, 0.1, "air-humidity"),
    )
    fit_driver(measured, session, model)
    return best_of(repeat, lambda: fit_driver(measured, session, model))


def time_plain_lmfit(points: int, repeat: int) -> float:
    """The same curves with Re, Cms and loss free per take, numeric derivatives [s]."""
    import lmfit

    frequency_hz, curves, sigmas = three_curves(points)
    s = 2j * math.pi * frequency_hz
    omega = 2 * math.pi * DRIVER.fs
    truth = {
        "L1": DRIVER.L1,
        "L2": DRIVER.L2,
        "R2": DRIVER.R2,
        "Bl": math.sqrt(omega * DRIVER.Mms * DRIVER.Re / DRIVER.Qes),
        "Mms": DRIVER.Mms,
        "Vas": RHO_C2 * DRIVER.Sd**2 * DRIVER.compliance,
    }
    for take in range(3):
        truth |= {
            f"Re{take}": DRIVER.Re,
            f"Cms{take}": DRIVER.compliance,
            f"Rms{take}": omega * DRIVER.Mms / DRIVER.Qms,
        }
    start = lmfit.Parameters()
    for index, (name, value) in enumerate(truth.items()):
        start.add(name, value=value * (1.3 if index % 2 else 1 / 1.3), min=0)

    def residual(parameters: lmfit.Parameters) -> np.ndarray:
        p = parameters.valuesdict()
        coil = s * p["L1"] + s * p["L2"] * p["R2"] / (s * p["L2"] + p["R2"])
        rows = []
        for take, (z, sigma) in enumerate(zip(curves, sigmas, strict=True)):
            mass = p["Mms"] + (MASS if take == 1 else 0.0)
            spring = 1 / p[f"Cms{take}"] * (1 + (p["Vas"] / VOLUME if take == 2 else 0.0))
            mechanical = p[f"Rms{take}"] + s * mass + spring / s
            rows.append((p[f"Re{take}"] + coil + p["Bl"] ** 2 / mechanical - z) / sigma)
        return np.concatenate(rows).view(float)

    return best_of(repeat, lambda: lmfit.minimize(residual, start, scale_covar=False))


def main(argv: Sequence[str] | None = None) -> None:
    """Print all figures."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--repeat", type=int, default=3, help="each figure is the best of these")
    parser.add_argument("--points", type=int, default=400)
    parser.add_argument("--seconds", type=float, default=6.0)
    wanted = parser.parse_args(argv)
    with tempfile.TemporaryDirectory() as folder:
        start, whole, warm = time_import(Path(folder), wanted.seconds, wanted.repeat)
    chosen = time_ours(wanted.points, wanted.repeat, "ladder")
    automatic = time_ours(wanted.points, wanted.repeat, "auto")
    plain = time_plain_lmfit(wanted.points, wanted.repeat)
    head = f"3 takes of {wanted.points} points"
    print(f"{'freeair --version, a process':52s} {start:8.3f} s")
    print(f"{f'import of {wanted.seconds:g} s at 48 kHz, a process':52s} {whole:8.3f} s")
    print(f"{'  beyond the start of a process':52s} {whole - start:8.3f} s")
    print(f"{'  once its libraries are loaded':52s} {warm:8.3f} s")
    print(f"{f'joint fit of {head}, one coil model':52s} {chosen:8.3f} s")
    print(f"{f'joint fit of {head}, model chosen':52s} {automatic:8.3f} s")
    print(f"{'plain lmfit, numeric derivatives, one model':52s} {plain:8.3f} s")
    print(f"{'ratio to plain lmfit, one coil model':52s} {chosen / plain:8.2f}")
    print(f"{'ratio to plain lmfit, model chosen':52s} {automatic / plain:8.2f}")


if __name__ == "__main__":
    main()
