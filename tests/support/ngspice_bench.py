"""A bench whose physics nothing in the project computed: ngspice plays driver and wiring.

The driver is written as a circuit. Mechanical loop: velocity is the current through an inductor
(moving mass), a resistor (loss) and a capacitor (compliance); two current-controlled sources are
the motor (force Bl i, back-EMF Bl u). Added mass is a second inductor, the air of a closed box a
second capacitor in the loop.

Time domain: ngspice is made to step uniformly, the excitation comes from its ``filesource`` code
model. A uniform trapezoidal step h turns a linear circuit into its exact bilinear transform, so
the only departure from the continuous circuit is a known warp of frequency,
f -> tan(pi f h)/(pi h) (textbook digital signal processing;
tests/promises/test_ngspice_transient.py checks both the warp and that it is too small to matter).
"""

from __future__ import annotations

import math
import os
import shutil
import subprocess
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

OVERSAMPLING = 4
RATE_HZ = 48000
STEP_SECONDS = 1 / (RATE_HZ * OVERSAMPLING)


@dataclass(frozen=True)
class Air:
    """rho c^2 at 20 C, 101325 Pa, 50 %: CoolProp 8.0 gives 1.199359 kg/m3 and 343.9630 m/s."""

    rho_c2: float = 1.199359 * 343.9630**2


@dataclass(frozen=True)
class Driver:
    """Circuit values of a driver, SI units.

    Attributes:
        coil: Sections in series: (inductance, parallel resistance or None).
        bl_curve: c1, c2 of Bl(x) = Bl (1 + c1 x + c2 x^2) [1/m, 1/m2].
        stiffness_curve: k1, k2 of F(x) = x/Cms (1 + k1 x + k2 x^2) [1/m, 1/m2].
    """

    Re: float = 6.3
    coil: tuple[tuple[float, float | None], ...] = ((0.3e-3, None), (0.5e-3, 4.0))
    Bl: float = 5.9
    Mms: float = 16.8e-3
    Rms: float = 0.9
    Cms: float = 0.9e-3
    Sd: float = math.pi / 4 * 0.130**2
    bl_curve: tuple[float, float] = (0.0, 0.0)
    stiffness_curve: tuple[float, float] = (0.0, 0.0)

    def truth(self) -> dict[str, float]:
        """Every parameter by its symbol (definitions of R. H. Small, JAES 20(5), 1972)."""
        impedance = math.sqrt(self.Mms / self.Cms)
        return {
            "Re": self.Re,
            "fs": 1 / (2 * math.pi * math.sqrt(self.Mms * self.Cms)),
            "Qms": impedance / self.Rms,
            "Qes": impedance * self.Re / self.Bl**2,
            "Mms": self.Mms,
            "Bl": self.Bl,
            "Cms": self.Cms,
            "Rms": self.Rms,
            "Vas": Air().rho_c2 * self.Sd**2 * self.Cms,
            "Sd": self.Sd,
        }


@dataclass(frozen=True)
class Bench:
    """Amplifier, resistor and inputs around the driver.

    Attributes:
        side: Where the series resistor sits, ``hot`` or ``ground``.
        volt_peak: Peak voltage behind the amplifier's output resistance.
    """

    resistor: float = 10.0
    side: str = "hot"
    output_resistance: float = 0.5
    source_input: float = 10e3
    driver_input: float = 22e3
    volt_peak: float = 1.0


@dataclass(frozen=True)
class Load:
    """What is done to the driver besides hanging it free: mass [kg], box volume [m3].

    ``beside`` are further elements beside the air of the box, between m4 and 0.
    """

    mass: float = 0.0
    box: float | None = None
    beside: tuple[str, ...] = ()


def driver_lines(driver: Driver, load: Load, hot: str, cold: str) -> list[str]:
    """The driver between two nodes."""
    lines = [f"Re {hot} coil0 {driver.Re!r}"]
    for index, (inductance, resistance) in enumerate(driver.coil):
        here, there = f"coil{index}", f"coil{index + 1}"
        lines.append(f"L{index} {here} {there} {inductance!r}")
        if resistance is not None:
            # A conductance as source: ngspice raises resistors below 1 mohm to that.
            lines.append(f"G{index} {here} {there} {here} {there} {1 / resistance!r}")
    lines += [f"Vi coil{len(driver.coil)} emf 0", "Vu force m1 0"]
    nonlinear = any(driver.bl_curve) or any(driver.stiffness_curve)
    if nonlinear:
        b1, b2 = driver.bl_curve
        k1, k2 = driver.stiffness_curve
        bl = f"({driver.Bl!r}*(1+({b1!r})*v(x)*1e-3+({b2!r})*v(x)*v(x)*1e-6))"
        lines += [
            # Displacement in millimetres as the voltage on an integrator.
            "Fx 0 x Vu 1000",
            "Cx x 0 1",
            f"Bemf emf {cold} V={bl}*i(Vu)",
            f"Bforce force 0 V={bl}*i(Vi)",
            f"Bstiff m3 m4 V=v(x)*1e-3/{driver.Cms!r}"
            f"*(1+({k1!r})*v(x)*1e-3+({k2!r})*v(x)*v(x)*1e-6)",
        ]
    else:
        lines += [
            f"Hemf emf {cold} Vu {driver.Bl!r}",
            f"Hforce force 0 Vi {driver.Bl!r}",
            f"Cms m3 m4 {driver.Cms!r}",
        ]
    lines += [f"Lms m1 m2 {driver.Mms + load.mass!r}", f"Rms m2 m3 {driver.Rms!r}"]
    if load.box is None:
        lines.append("Vbox m4 0 0")
    else:
        lines.append(f"Cbox m4 0 {load.box / (Air().rho_c2 * driver.Sd**2)!r}")
    return [*lines, *load.beside]


def bench_lines(driver: Driver, bench: Bench, load: Load) -> list[str]:
    """Everything behind the amplifier's ideal source at node amp; inputs read src and drv."""
    lines = [
        f"Rout amp src {bench.output_resistance!r}",
        f"Rin1 src 0 {bench.source_input!r}",
        f"Rin2 drv 0 {bench.driver_input!r}",
    ]
    if bench.side == "hot":
        return [
            *lines,
            f"Rseries src drv {bench.resistor!r}",
            *driver_lines(driver, load, "drv", "0"),
        ]
    return [*lines, *driver_lines(driver, load, "src", "drv"), f"Rseries drv 0 {bench.resistor!r}"]


def run_ngspice(lines: list[str], folder: Path) -> dict[str, NDArray[np.float64]]:
    """Run one analysis in batch and return its vectors by name."""
    program = shutil.which("ngspice")
    if program is None:
        raise AssertionError("ngspice is missing: apt-get install ngspice")
    folder.mkdir(parents=True, exist_ok=True)
    # Circuits with code models otherwise get their step size cut (trtol 1).
    (folder / ".spiceinit").write_text("set xtrtol=1000000000\n")
    (folder / "bench.cir").write_text("\n".join(["* bench", *lines, ".end", ""]))
    raw = folder / "bench.raw"
    done = subprocess.run(
        [program, "-b", "-r", raw.name, "bench.cir"],
        cwd=folder,
        env={**os.environ, "HOME": str(folder)},
        capture_output=True,
        text=True,
        timeout=300,
        check=False,
    )
    if done.returncode or not raw.exists() or "aborted" in done.stdout + done.stderr:
        raise AssertionError(f"ngspice failed: {done.stdout[-2000:]}{done.stderr[-2000:]}")
    vectors = read_raw(raw)
    raw.unlink()
    return vectors


def read_raw(path: Path) -> dict[str, NDArray[np.float64]]:
    """Vectors of a binary raw file (ngspice manual, "rawfile"): text header, then doubles."""
    content = path.read_bytes()
    start = content.index(b"Binary:\n") + len(b"Binary:\n")
    header = content[:start].decode().splitlines()
    fields = dict(line.split(":", 1) for line in header if ":" in line and line[0] != "\t")
    count = int(fields["No. Variables"])
    points = int(fields["No. Points"])
    first = header.index("Variables:") + 1
    names = [line.split("\t")[2] for line in header[first : first + count]]
    kind = np.complex128 if "complex" in fields["Flags"] else np.float64
    table = np.frombuffer(content[start:], dtype=kind).reshape(points, count)
    return {name: table[:, index].copy() for index, name in enumerate(names)}


def ac_impedance(
    driver: Driver, load: Load, folder: Path, start_hz: float = 10, stop_hz: float = 20000
) -> tuple[NDArray[np.float64], NDArray[np.complex128]]:
    """The driver's impedance by small-signal analysis: 1 A in, so that v(in) is Z."""
    lines = [
        *driver_lines(driver, load, "in", "0"),
        "I1 0 in AC 1",
        f".ac dec 100 {start_hz!r} {stop_hz!r}",
        ".save v(in)",
    ]
    vectors = run_ngspice(lines, folder)
    return vectors["frequency"].real, vectors["v(in)"]


def fractional_inductor(
    size: float, n: float, low_hz: float, high_hz: float
) -> tuple[float, tuple[tuple[float, float | None], ...]]:
    """Circuit for size * s^n, 0 < n < 1: a series resistance, and sections of L parallel R.

    s^n = sin(n pi)/pi * integral of s e^(n u)/(s + e^u) du (Stieltjes; from memory). The
    trapezoidal rule of step h in u errs by exp(-pi^2/h) on the imaginary axis, 7e-8 at 0.6. Far
    below the band the sections are resistances, far above inductances: both tails are
    geometric series. They begin at exp(-13) of the band's edges: farther out the conductances in
    the simulator's matrix lie so many decades apart that digits are lost.
    """
    h = 0.6
    reach = 13.0
    first = math.floor((math.log(2 * math.pi * low_hz) - reach) / h)
    last = math.ceil((math.log(2 * math.pi * high_hz) + reach) / h)
    weight = size * h * math.sin(n * math.pi) / math.pi
    sections = [
        (weight * math.exp((n - 1) * h * k), weight * math.exp(n * h * k))
        for k in range(first, last + 1)
    ]
    below = weight * math.exp(n * h * (first - 1)) / (1 - math.exp(-n * h))
    above = weight * math.exp((n - 1) * h * (last + 1)) / (1 - math.exp((n - 1) * h))
    return below, ((above, None), *sections)


def excitation(
    seconds: tuple[float, ...],
    start_hz: float = 10.0,
    stop_hz: float = 5000.0,
    silence: float = 0.5,
) -> NDArray[np.float64]:
    """Exponential sweeps, up then down and so on, with silences around; peak 1.

    One value per solver step. The solver's warp grows with the square of frequency: 5 kHz keep
    it below 0.3 %.

    A. Farina, AES 108th Convention, 2000, paper 5093. Faded at both ends, so that the content
    above half of 48 kHz stays below the noise and every fourth point can be taken unfiltered.
    """
    pause = np.zeros(round(silence / STEP_SECONDS))
    parts = [pause]
    for index, duration in enumerate(seconds):
        t = np.arange(round(duration / STEP_SECONDS)) * STEP_SECONDS
        growth = duration / math.log(stop_hz / start_hz)
        sweep = np.sin(2 * math.pi * start_hz * growth * np.expm1(t / growth))
        fade = np.minimum(1.0, t / 0.1) * np.minimum(1.0, (t[-1] - t) / 0.02)
        sweep *= np.sin(math.pi / 2 * fade) ** 2
        parts += [sweep if index % 2 == 0 else sweep[::-1], pause]
    return np.concatenate(parts)


def node_voltages(
    driver: Driver,
    bench: Bench,
    load: Load,
    drive: NDArray[np.float64],
    folder: Path,
) -> NDArray[np.float64]:
    """Voltages at both inputs, at every solver step, shape (n, 2).

    Args:
        drive: Excitation at `OVERSAMPLING` times 48 kHz, peak 1.
    """
    step = STEP_SECONDS
    seconds = drive.size * step
    folder.mkdir(parents=True, exist_ok=True)
    with (folder / "drive.txt").open("w") as text:
        text.writelines(
            f"{index * step:.12e} {value:.10e}\n" for index, value in enumerate(drive.tolist())
        )
    lines = [
        "Adrive %v([amp]) drive",
        f'.model drive filesource (file="drive.txt" amploffset=[0] amplscale=[{bench.volt_peak!r}]'
        " timeoffset=0 timescale=1 timerelative=false amplstep=false)",
        *bench_lines(driver, bench, load),
        ".option reltol=1e-6 method=trap",
        f".tran {step!r} {seconds!r} 0 {step!r} uic",
        ".save v(src) v(drv)",
    ]
    vectors = run_ngspice(lines, folder)
    (folder / "drive.txt").unlink()
    time = vectors["time"]
    # The solver creeps up to its full step within the leading silence and cuts the very last one.
    uneven = np.flatnonzero(np.abs(np.diff(time[:-1]) / step - 1) > 1e-6)
    first = 1 + int(uneven.max(initial=-1))
    if time[first] > 0.01 or time[-1] < seconds - 0.01:
        raise AssertionError("the solver did not keep its step")
    return np.column_stack([vectors["v(src)"], vectors["v(drv)"]])[first:-1]


@dataclass(frozen=True)
class Card:
    """Two inputs of a sound card.

    Attributes:
        gain: Mismatch of the second input against the first.
        noise_volt: White noise of each input, rms over half of 48 kHz.
        volt_full_scale: Peak voltage at full scale.
    """

    gain: float = 1.0
    noise_volt: float = 20e-6
    volt_full_scale: float = 1.6

    def record(self, volt: NDArray[np.float64], seed: int) -> NDArray[np.float64]:
        """What the card hands over, full scale 1, before quantisation, shape (n, 2)."""
        noise = np.random.default_rng(seed).normal(0, self.noise_volt, volt.shape)
        return (volt * (1.0, self.gain) + noise) / self.volt_full_scale


def write_wav24(path: Path, samples: NDArray[np.float64], rate_hz: int = RATE_HZ) -> Path:
    """Write 24-bit PCM with the standard library alone; refuses to clip."""
    import wave

    if np.max(np.abs(samples)) >= 1:
        raise AssertionError("the simulated card would clip")
    words = np.round(samples * 2**23).astype("<i4")
    octets = words.reshape(-1).view(np.uint8).reshape(-1, 4)[:, :3]
    with wave.open(str(path), "wb") as sink:
        sink.setnchannels(samples.shape[1])
        sink.setsampwidth(3)
        sink.setframerate(rate_hz)
        sink.writeframes(octets.tobytes())
    return path


def nonlinear(driver: Driver) -> Driver:
    """The same driver with limits: the motor halves and the stiffness triples at 5 mm."""
    return replace(driver, bl_curve=(0.0, -0.5 / 5e-3**2), stiffness_curve=(0.0, 2 / 5e-3**2))
