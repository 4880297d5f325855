"""Two-channel recordings made with numpy alone, healthy or with one named fault.

The circuit is computed at every spectral line of the whole record, so that a healthy recording is
exact to its noise: silence, sweep up, silence, sweep down, silence. Nothing of the project is
imported.
"""

from __future__ import annotations

import math
import wave
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from functools import cache
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

RATE_HZ = 48000
Impedance = Callable[[NDArray[np.float64]], NDArray[np.complex128]]
Samples = NDArray[np.float64]


@dataclass(frozen=True)
class Circuit:
    """A driver: Re + s L1 + (s L2 parallel R2) + Bl^2/(loss + s mass + stiffness/s)."""

    Re: float = 6.3
    L1: float = 0.3e-3
    L2: float = 0.5e-3
    R2: float = 4.0
    fs: float = 41.0
    Qms: float = 4.8
    Qes: float = 0.55
    Mms: float = 16.8e-3
    Sd: float = 0.01327
    added_mass: float = 0.0
    box: float | None = None
    leak_q: float = 1e9

    def __call__(self, frequency_hz: NDArray[np.float64]) -> NDArray[np.complex128]:
        """Impedance [ohm] at positive frequencies."""
        s = 2j * math.pi * frequency_hz
        w = 2 * math.pi * self.fs
        motor = w * self.Mms * self.Re / self.Qes
        # A closed volume adds rho c^2 Sd^2/V (Small 1972); a leak is an acoustic resistance in
        # parallel with its compliance, with Q = w R C at fs.
        air = 0.0 if self.box is None else 141900 * self.Sd**2 / self.box
        spring = air / (1 + w / (s * self.leak_q))
        mechanical = (
            s * (self.Mms + self.added_mass)
            + w * self.Mms / self.Qms
            + (w**2 * self.Mms + spring) / s
        )
        return (
            self.Re
            + s * self.L1
            + s * self.L2 * self.R2 / (self.R2 + s * self.L2)
            + (motor / mechanical)
        )

    @property
    def compliance(self) -> float:
        """Cms [m/N]."""
        return 1 / ((2 * math.pi * self.fs) ** 2 * self.Mms)


def vented_box(frequency_hz: NDArray[np.float64]) -> NDArray[np.complex128]:
    """The driver in a vented box tuned to 38 Hz: two resonances (R. H. Small, JAES 21, 1973)."""
    driver = Circuit()
    s = 2j * math.pi * frequency_hz
    w, wb = 2 * math.pi * driver.fs, 2 * math.pi * 38.0
    motor = w * driver.Mms * driver.Re / driver.Qes
    spring = 141900 * driver.Sd**2 / 25e-3
    # Box compliance in parallel with vent mass, leakage losses of Q 10.
    box = spring * s / (s**2 + s * wb / 10 + wb**2)
    mechanical = s * driver.Mms + w * driver.Mms / driver.Qms + w**2 * driver.Mms / s + box
    coil = s * driver.L1 + s * driver.L2 * driver.R2 / (driver.R2 + s * driver.L2)
    return driver.Re + coil + motor / mechanical


def resistor(frequency_hz: NDArray[np.float64]) -> NDArray[np.complex128]:
    """A wire-wound resistor of 8.2 ohm and 2 uH."""
    return 8.2 + 2j * math.pi * frequency_hz * 2e-6


@dataclass(frozen=True)
class Bench:
    """The bench around it; levels are fractions of full scale.

    Attributes:
        second: Impedance during the second sweep, None: as during the first.
        drive: Changes the excitation before the amplifier; None: leaves it.
    """

    load: Impedance = field(default_factory=Circuit)
    second: Impedance | None = None
    series_resistor: float = 10.0
    output_resistance: float = 0.5
    side: str = "hot"
    level: float = 0.5
    noise: float = 1e-5
    start_hz: float = 10.0
    stop_hz: float = 20000.0
    rate_hz: int = RATE_HZ
    sweep_seconds: float = 1.2
    gap_seconds: float = 0.5
    drive: Callable[[Samples], Samples] | None = None

    def excitation(self) -> Samples:
        """Exponential sweep up and down with silences (A. Farina, AES 108th Convention, 2000)."""
        t = np.arange(round(self.sweep_seconds * self.rate_hz)) / self.rate_hz
        growth = self.sweep_seconds / math.log(self.stop_hz / self.start_hz)
        sweep = np.sin(2 * math.pi * self.start_hz * growth * np.expm1(t / growth))
        fade = np.minimum(1.0, t / 0.05) * np.minimum(1.0, (t[-1] - t) / 0.01)
        sweep *= self.level * np.sin(math.pi / 2 * fade) ** 2
        gap = np.zeros(round(self.gap_seconds * self.rate_hz))
        drive = np.concatenate([gap, sweep, gap, sweep[::-1], gap])
        return drive if self.drive is None else self.drive(drive)

    def record(self) -> Samples:
        """What both inputs record, shape (n, 2)."""
        drive = self.excitation()
        volts = self._inputs(drive, self.load)
        if self.second is not None:
            middle = drive.size // 2
            early = np.where(np.arange(drive.size) < middle, drive, 0)
            volts = self._inputs(early, self.load) + self._inputs(drive - early, self.second)
        rng = np.random.default_rng(7)
        return volts + rng.normal(0, self.noise, volts.shape)

    def _inputs(self, drive: Samples, load: Impedance) -> Samples:
        spectrum = np.fft.rfft(drive)
        f = np.fft.rfftfreq(drive.size, 1 / self.rate_hz)
        f[0] = f[1] / 1000
        z = load(f)
        total = self.output_resistance + self.series_resistor + z
        second = z if self.side == "hot" else np.full_like(z, self.series_resistor)
        inputs = [spectrum * (self.series_resistor + z) / total, spectrum * second / total]
        return np.fft.irfft(inputs, drive.size).T


@cache
def healthy() -> Samples:
    """The standard recording without a fault; do not write into it."""
    samples = Bench().record()
    samples.flags.writeable = False
    return samples


def hum(samples: Samples, amplitude: tuple[float, float], hz: float = 50.0) -> Samples:
    """Mains hum and its third harmonic on both inputs."""
    t = np.arange(len(samples)) / RATE_HZ
    wave = np.sin(2 * math.pi * hz * t + 0.7) + 0.2 * np.sin(6 * math.pi * hz * t)
    return samples + wave[:, None] * amplitude


def without(samples: Samples, at: float, frames: int, channels: tuple[int, ...]) -> Samples:
    """``frames`` frames lost at ``at`` seconds in the given channels; the end is padded."""
    out = samples.copy()
    first = round(at * RATE_HZ)
    for channel in channels:
        kept = np.delete(samples[:, channel], slice(first, first + frames))
        out[:, channel] = np.concatenate([kept, samples[-frames:, channel]])
    return out


def zeroed(samples: Samples, at: float, frames: int, channels: tuple[int, ...]) -> Samples:
    """``frames`` frames replaced by zeros."""
    out = samples.copy()
    first = round(at * RATE_HZ)
    out[first : first + frames, list(channels)] = 0
    return out


def soft(values: Samples, limit: float) -> Samples:
    """A gentle overload: smooth, never beyond ``limit``."""
    return limit * np.tanh(values / limit)


def varied(**changes: object) -> Bench:
    """The standard bench with something different."""
    return replace(Bench(), **changes)  # type: ignore[arg-type]


def write_wav(path: Path, samples: Samples, rate_hz: int = RATE_HZ) -> Path:
    """24-bit PCM by the standard library, full scale 1."""
    with wave.open(str(path), "wb") as sink:
        sink.setnchannels(2)
        sink.setsampwidth(3)
        sink.setframerate(rate_hz)
        for first in range(0, len(samples), 1 << 20):
            part = np.round(samples[first : first + (1 << 20)] * 2**23)
            words = np.clip(part, -(2**23), 2**23 - 1).astype("<i4")
            sink.writeframes(words.reshape(-1).view(np.uint8).reshape(-1, 4)[:, :3].tobytes())
    return path
