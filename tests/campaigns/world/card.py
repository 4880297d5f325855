"""What a sound card and its system do to two node voltages on their way into a file."""

from __future__ import annotations

import math
from itertools import pairwise

import numpy as np
from scipy import fft, signal
from world.circuit import RATE


def shifted(one: np.ndarray, samples: float) -> np.ndarray:
    """Later by any part of a sample, band-limited."""
    size = fft.next_fast_len(one.size + 256, real=True)
    turn = np.exp(-2j * np.pi * np.arange(size // 2 + 1) * samples / size)
    return fft.irfft(fft.rfft(one, size) * turn, size)[: one.size]


def unlike(volts, gain, delay):
    """The driver input's own gain and delay."""
    return np.stack([volts[:, 0], gain * shifted(volts[:, 1], delay)], 1)


def converted(volts, rng, *, noise=2e-5, bits=24, hum=0.0, mains_hz=50.0):
    """Two channels with their noise, hum and steps; full scale 1."""
    heard = np.array(volts, dtype=float)
    time, phase = np.arange(heard.shape[0]) / RATE, rng.uniform(0, 2 * math.pi, 2)
    for k, size in ((1, 1.0), (2, 0.2), (3, 0.4)):
        hz = mains_hz * 0.9995 * k
        heard[:, 1] += hum * size * np.sin(2 * np.pi * hz * time + phase[0])
        heard[:, 0] += 0.5 * hum * size * np.sin(2 * np.pi * hz * time + phase[1])
    heard += rng.normal(0.0, noise, heard.shape)
    step = 2.0 ** (1 - bits)
    return np.clip(np.round(heard / step) * step, -1.0, 1.0 - step)


# --- what a system may do behind one's back; each takes and gives shape (n, 2) ----------------


def clipped(share):
    """Soft end of the driver input's range, at a share of its peak."""

    def apply(x):
        top = share * np.max(np.abs(x[:, 1]))
        bent = np.where(np.abs(x[:, 1]) > top, np.sign(x[:, 1]) * top, x[:, 1])
        return np.stack([x[:, 0], bent], 1)

    return apply


def mixed(forth, back):
    """A share of the source in the driver input and the other way round."""
    return lambda x: np.stack([x[:, 0] + back * x[:, 1], x[:, 1] + forth * x[:, 0]], 1)


def leaking(share, corner_hz):
    """Capacitive crosstalk of the source into the driver input, rising to a share at a corner."""

    def apply(x):
        rising = signal.lfilter(*signal.butter(1, corner_hz, "high", fs=RATE), x[:, 0])
        return np.stack([x[:, 0], x[:, 1] + share * rising], 1)

    return apply


def high_passed(first_hz, second_hz):
    """Coupling capacitors in front of both inputs, each with its own corner."""

    def apply(x):
        both = [
            signal.lfilter(*signal.butter(1, hz, "high", fs=RATE), x[:, k])
            for k, hz in enumerate((first_hz, second_hz))
        ]
        return np.stack(both, 1)

    return apply


def creeping_gain(change, begin_s, end_s):
    """The driver input's gain, gliding from 1 to 1 + change."""

    def apply(x):
        time = np.arange(x.shape[0]) / RATE
        gain = 1 + change * np.clip((time - begin_s) / (end_s - begin_s), 0, 1)
        return np.stack([x[:, 0], x[:, 1] * gain], 1)

    return apply


def levelled(strength, linked):
    """Automatic gain that pulls levels together: each input by its own, or both by the louder."""

    def apply(x):
        smooth = signal.butter(1, 3.0, fs=RATE)
        power = np.maximum(signal.lfilter(*smooth, x**2, axis=0), 1e-9)
        if linked:
            power = np.max(power, axis=1, keepdims=True)
        return x * (power / power.max()) ** (-strength / 2)

    return apply


def slipped(at_s, frames):
    """The driver input loses frames at a time, and goes on."""

    def apply(x):
        at = int(at_s * RATE)
        late = np.concatenate([x[:at, 1], x[at + frames :, 1], np.zeros(frames)])
        return np.stack([x[:, 0], late], 1)

    return apply


def _frames(x, change, size=1024):
    """Overlapping frames of each channel, changed in their spectra."""
    window = np.sin(np.pi * (np.arange(size) + 0.5) / size)
    padded = np.concatenate([np.zeros(size), x, np.zeros(2 * size)])
    frames = np.lib.stride_tricks.sliding_window_view(padded, size)[:: size // 2] * window
    rows = fft.irfft(change(fft.rfft(frames, axis=1)), size, axis=1) * window
    out = np.zeros(padded.size)
    for k, row in enumerate(rows):
        out[k * size // 2 : k * size // 2 + size] += row
    return out[size : size + x.size]


def compressed(ratio_db, cut_hz):
    """A lossy codec: bands coarsely stepped below what masks them, nothing above a frequency."""
    edges = np.unique(np.round(np.geomspace(1, 513, 24)).astype(int))
    edges[0] = 0

    def change(spectra):
        out = np.zeros_like(spectra)
        for low, high in pairwise(edges):
            band = spectra[:, low:high]
            step = np.sqrt(np.mean(np.abs(band) ** 2, axis=1, keepdims=True))
            step = step * 10 ** (-ratio_db / 20) * math.sqrt(12) + 1e-12
            step = 2.0 ** (np.round(4 * np.log2(step)) / 4)  # scale factors go by 1.5 dB
            out[:, low:high] = (np.round(band.real / step) + 1j * np.round(band.imag / step)) * step
        out[:, int(cut_hz / RATE * 1024) :] = 0
        return out

    return lambda x: np.stack([_frames(x[:, k], change) for k in (0, 1)], 1)


def gated(depth, floor):
    """Noise suppression: what is weak in a frame of the spectrum becomes weaker."""

    def change(spectra):
        size = np.abs(spectra)
        return spectra * (1 - depth * np.exp(-((size / (floor * 256)) ** 2)))

    return lambda x: np.stack([_frames(x[:, k], change) for k in (0, 1)], 1)


def echo_cancelled(depth, drive):
    """What is played is taken off both inputs, more and more of it as the system learns."""

    def apply(x):
        played = drive[len(drive) - len(x) :]  # a recording that begins late misses the first of it
        learned = depth * (1 - np.exp(-np.arange(len(x)) / RATE / 1.5))
        fitted = [float(x[:, k] @ played / (played @ played)) for k in (0, 1)]
        return np.stack([x[:, k] - learned * fitted[k] * played for k in (0, 1)], 1)

    return apply


def resampled(numerator, denominator):
    """By way of another rate and back, as a system's mixer does."""

    def apply(x):
        there = signal.resample_poly(x, numerator, denominator, axis=0)
        back = signal.resample_poly(there, denominator, numerator, axis=0)[: x.shape[0]]
        return np.pad(back, ((0, x.shape[0] - back.shape[0]), (0, 0)))

    return apply


def humming(size, mains_hz):
    def apply(x):
        time = np.arange(x.shape[0]) / RATE
        return x + size * np.stack(
            [np.sin(2 * np.pi * mains_hz * time), 0.8 * np.sin(2 * np.pi * mains_hz * time + 1)], 1
        )

    return apply
