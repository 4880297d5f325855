"""Drivers and recordings with exactly known impedance, computed by numpy alone.

The driver input is the source input filtered in the frequency domain, on a record padded with
silence until every ringing has decayed. Nothing of the project is imported.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

Impedance = Callable[[NDArray[np.float64]], NDArray[np.complex128]]
Samples = NDArray[np.float32]
Signal = NDArray[np.float64]


def driver(
    fs: float = 48.0, Qms: float = 4.2, Qes: float = 0.46, Re: float = 5.8, Le: float = 0.4e-3
) -> Impedance:
    """Re + j w Le + Res/(1 + j Qms (f/fs - fs/f)) (Small, JAES 20(5), 1972)."""

    def impedance(frequency_hz: NDArray[np.float64]) -> NDArray[np.complex128]:
        f = np.maximum(frequency_hz, 1e-9)
        motional = Re * Qms / Qes / (1 + 1j * Qms * (f / fs - fs / f))
        return Re + 2j * np.pi * frequency_hz * Le + motional

    return impedance


def sweep(start_hz: float, stop_hz: float, seconds: float, rate_hz: int) -> Signal:
    """Exponential sweep of amplitude 1 with fades of 20 ms (A. Farina, AES 108th Conv., 2000)."""
    L = seconds / np.log(stop_hz / start_hz)
    t = np.arange(round(seconds * rate_hz)) / rate_hz
    fade = np.minimum(1, np.minimum(t, t[-1] - t) / 0.02)
    return np.sin(2 * np.pi * start_hz * L * np.expm1(t / L)) * np.sin(np.pi / 2 * fade) ** 2


def silence(seconds: float, rate_hz: int) -> Signal:
    return np.zeros(round(seconds * rate_hz))


def up_and_down(
    rate_hz: int = 48000, seconds: float = 2.0, gap: float = 0.8, level: float = 0.25
) -> Signal:
    """Silence, sweep up, silence, sweep down, silence."""
    up = level * sweep(10.0, min(20000.0, 0.45 * rate_hz), seconds, rate_hz)
    still = silence(gap, rate_hz)
    return np.concatenate([silence(0.5, rate_hz), up, still, up[::-1], still])


def single(rate_hz: int = 48000, seconds: float = 2.0, level: float = 0.25) -> Signal:
    """One sweep up with half a second of silence on each side."""
    up = level * sweep(10.0, min(20000.0, 0.45 * rate_hz), seconds, rate_hz)
    return np.concatenate([silence(0.5, rate_hz), up, silence(0.5, rate_hz)])


def filtered(signal: Signal, rate_hz: int, response: Impedance) -> Signal:
    """A signal through a frequency response, at rest before and after."""
    size = 1 << (signal.size + rate_hz).bit_length()
    spectrum = np.fft.rfft(signal, size)
    spectrum *= response(np.fft.rfftfreq(size, 1 / rate_hz))
    return np.fft.irfft(spectrum, size)[: signal.size]


def divider(load: Impedance, R: float, side: str = "hot", Ri: float | None = None) -> Impedance:
    """Driver input over source input by Kirchhoff's current law at the node in between.

    Hot side: source - R - node - load - ground, input Ri at the node. Ground side: source - load
    - node - R - ground, input Ri at the node.
    """

    def response(frequency_hz: NDArray[np.float64]) -> NDArray[np.complex128]:
        Z = load(frequency_hz)
        above, below = (R, Z) if side == "hot" else (Z, np.full_like(Z, R))
        return (1 / above) / (1 / above + 1 / below + (0.0 if Ri is None else 1 / Ri))

    return response


def delayed(gain: float, samples: float, rate_hz: int) -> Impedance:
    """A gain and a delay in samples, whole or not."""
    return lambda f: gain * np.exp(-2j * np.pi * f * samples / rate_hz)


def record(
    source: Signal,
    driver_input: Signal,
    noise: float = 1e-5,
    seed: int = 0,
    hum: tuple[float, float] = (0.0, 0.0),
    rate_hz: int = 48000,
    offset: float = 0.0,
) -> Samples:
    """Both inputs as float32 with white noise, hum in one phase on both, and an offset."""
    rng = np.random.default_rng(seed)
    inputs = np.stack([source, driver_input], axis=1)
    inputs = inputs + rng.normal(0.0, noise, inputs.shape) + offset
    if any(hum):
        t = np.arange(len(inputs)) / rate_hz
        phase = rng.uniform(0, 2 * np.pi)
        wave = np.sin(2 * np.pi * 50.02 * t + phase) + 0.3 * np.sin(6 * np.pi * 50.02 * t + phase)
        inputs += wave[:, None] * hum
    return inputs.astype(np.float32)
