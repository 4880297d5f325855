"""A bench in the frequency domain for the validity tests: any excitation, any impedance.

The divider is computed at every line of a spectrum longer than the record, so that a healthy
recording is exact to its noise and quantisation; faults are put on the node voltages before the
converter. Formulas: driver of physics textbooks (Thiele 1971, Small 1972), exponential sweep
(A. Farina, AES 108th Convention, 2000).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import fft

Signal = NDArray[np.float64]
Fault = Callable[[Signal], Signal]
LEVEL = 0.25


@dataclass(frozen=True)
class Load:
    """Re + s Le + one motional resonance + bumps (frequency, Q, height re Re)."""

    Re: float = 6.0
    Le: float = 0.5e-3
    fs: float = 50.0
    Qms: float = 4.0
    Qes: float = 0.5
    bumps: tuple[tuple[float, float, float], ...] = ()

    def __call__(self, frequency_hz: Signal) -> NDArray[np.complex128]:
        s = 2j * np.pi * np.maximum(frequency_hz, 1e-3)
        z = self.Re + s * self.Le
        peaks = [(self.fs, self.Qms, self.Qms / self.Qes), *self.bumps]
        for place, quality, height in peaks:
            w = 2 * np.pi * place
            z = z + height * self.Re * (s * w / quality) / (s * s + s * w / quality + w * w)
        return z


WOOFER = Load()
TWEETER = Load(fs=1200.0, Qms=2.0, Qes=1.5, Le=30e-6)


def sweep(start_hz: float, stop_hz: float, seconds: float, rate: int) -> Signal:
    time = np.arange(round(seconds * rate)) / rate
    constant = seconds / np.log(stop_hz / start_hz)
    wave = np.sin(2 * np.pi * start_hz * constant * np.expm1(time / constant))
    fade = np.minimum(1.0, time / 0.02) * np.minimum(1.0, (time[-1] - time) / 0.01)
    return wave * np.sin(np.pi / 2 * fade) ** 2


def own(start_hz: float, stop_hz: float, seconds: float, rate: int) -> Signal:
    """Silence, sweep up, gap, sweep down, silence."""
    up, gap = sweep(start_hz, stop_hz, seconds, rate), np.zeros(round(0.7 * rate))
    return np.concatenate([gap, up, gap, up[::-1], gap, gap])


def single(start_hz: float, stop_hz: float, seconds: float, rate: int) -> Signal:
    silence = np.zeros(round(0.5 * rate))
    return np.concatenate([silence, sweep(start_hz, stop_hz, seconds, rate), silence, silence])


def noise(seconds: float, rate: int, seed: int = 0) -> Signal:
    """Gaussian noise from before the record to after it."""
    drawn = np.random.default_rng(seed).normal(0.0, 0.25, round(seconds * rate))
    return np.clip(drawn, -1.0, 1.0)


def record(
    drive: Signal,
    load: Load | Callable[[Signal], NDArray[np.complex128]],
    rate: int,
    *,
    side: str = "hot",
    resistor: float = 10.0,
    level: float = LEVEL,
    noise_rms: float = 2e-5,
    bits: int = 24,
    seed: int = 1,
    fault: Fault | None = None,
    amplifier: Fault | None = None,
    endless: bool = False,
) -> NDArray[np.float32]:
    """What both inputs record, shape (n, 2).

    Args:
        drive: Excitation, full scale 1.
        load: Impedance of a frequency in hertz.
        rate: Sample rate [Hz].
        side: Of the resistor.
        resistor: Series resistor [ohm].
        level: Amplitude of the drive at the source.
        noise_rms: Of each input; 2e-5 is -94 dB, a 24-bit card.
        bits: Of the converter.
        seed: Of the noise.
        fault: Changes the node voltages, shape (n, 2).
        amplifier: Changes the drive before the source node.
        endless: True when the drive goes on before the record begins.
    """
    count = drive.size
    if endless:
        drive = np.concatenate([np.random.default_rng(99).normal(0, 0.25, rate), drive])
    drive = level * drive
    if amplifier is not None:
        drive = amplifier(drive)
    size = fft.next_fast_len(drive.size + 2 * rate, real=True)
    frequency = np.arange(size // 2 + 1) * rate / size
    z = load(frequency)
    ratio = (z if side == "hot" else resistor) / (z + resistor)
    source = np.fft.rfft(drive, size) * (z + resistor) / (z + resistor + 0.3)
    volts = np.stack([np.fft.irfft(v, size)[: drive.size] for v in (source, source * ratio)], 1)
    volts = volts[drive.size - count :]
    if fault is not None:
        volts = fault(volts)
    volts = volts + np.random.default_rng(seed).normal(0.0, noise_rms, volts.shape)
    steps = 2.0 ** (bits - 1)
    return (np.clip(np.round(volts * steps), -steps, steps - 1) / steps).astype(np.float32)


def lost(at: int, frames: int) -> Fault:
    """Frames missing from both inputs."""
    return lambda volts: np.delete(volts, slice(at, at + frames), axis=0)


def slipped(at: int, frames: int, channel: int) -> Fault:
    """Frames missing from one input."""

    def fault(volts: Signal) -> Signal:
        out = volts.copy()
        out[at:-frames, channel] = volts[at + frames :, channel]
        return out

    return fault


def zeroed(at: int, frames: int, *channels: int) -> Fault:
    def fault(volts: Signal) -> Signal:
        out = volts.copy()
        out[at : at + frames, list(channels)] = 0.0
        return out

    return fault


def repeated(at: int, frames: int) -> Fault:
    """A block played twice into the record."""
    return lambda volts: np.insert(volts, at, volts[at - frames : at], axis=0)


def ridden(change: float, *channels: int) -> Fault:
    """Gain that drifts by ``change`` from begin to end."""

    def fault(volts: Signal) -> Signal:
        out = volts.copy()
        out[:, list(channels)] *= (1.0 + change * np.linspace(0.0, 1.0, len(volts)))[:, None]
        return out

    return fault


def soft(share: float, channel: int) -> Fault:
    """tanh that takes ``share`` off the largest peak."""

    def fault(volts: Signal) -> Signal:
        out = volts.copy()
        peak, bend = np.abs(volts[:, channel]).max(), np.sqrt(3.0 * share)
        out[:, channel] = peak * np.tanh(bend * volts[:, channel] / peak) / bend
        return out

    return fault


def hard(share: float, channel: int, *, one_end: bool = False) -> Fault:
    """Cut off ``share`` of the largest peak."""

    def fault(volts: Signal) -> Signal:
        out = volts.copy()
        peak = (1.0 - share) * np.abs(volts[:, channel]).max()
        out[:, channel] = np.clip(volts[:, channel], -np.inf if one_end else -peak, peak)
        return out

    return fault


def hummed(amplitude: float, hz: float, rate: int) -> Fault:
    """Hum with a second and a third harmonic on the driver input, a quarter on the source."""

    def fault(volts: Signal) -> Signal:
        phase = 2 * np.pi * hz * np.arange(len(volts)) / rate + 0.7
        wave = np.sin(phase) + 0.3 * np.sin(2 * phase) + 0.2 * np.sin(3 * phase)
        return volts + amplitude * wave[:, None] * np.array([0.25, 1.0])

    return fault


def stepped_driver(drive: Signal, rate: int, stiffening: float) -> Signal:
    """Driver voltage behind 10 ohm of a driver whose stiffness grows by (x/1 mm)^2 times this.

    Runge-Kutta of fourth order through the equations of motor and suspension (Small 1972); Re 6,
    Le 1.5 mH, fs 50, Qms 4, Qes 0.5, 15 g.
    """
    Re, Le, mass, R = 6.0, 1.5e-3, 0.015, 10.0
    w = 2 * np.pi * 50.0
    loss, Bl = w * mass / 4.0, float(np.sqrt(w * mass * Re / 0.5))
    stiffness, step = mass * w * w, 1.0 / rate

    def slope(i: float, x: float, u: float, volt: float) -> tuple[float, float, float]:
        force = stiffness * (1.0 + stiffening * (x * 1e3) ** 2) * x
        return (volt - (R + Re) * i - Bl * u) / Le, u, (Bl * i - loss * u - force) / mass

    volts = drive.tolist()
    i = x = u = 0.0
    out = []
    for before, after in zip(volts, [*volts[1:], 0.0], strict=True):
        out.append(before - R * i)
        middle = 0.5 * (before + after)
        a = slope(i, x, u, before)
        b = slope(i + step / 2 * a[0], x + step / 2 * a[1], u + step / 2 * a[2], middle)
        c = slope(i + step / 2 * b[0], x + step / 2 * b[1], u + step / 2 * b[2], middle)
        d = slope(i + step * c[0], x + step * c[1], u + step * c[2], after)
        i += step / 6 * (a[0] + 2 * b[0] + 2 * c[0] + d[0])
        x += step / 6 * (a[1] + 2 * b[1] + 2 * c[1] + d[1])
        u += step / 6 * (a[2] + 2 * b[2] + 2 * c[2] + d[2])
    return np.array(out)
