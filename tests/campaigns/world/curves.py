"""Healthy curves of every kind, without a bench: for what must never be refused."""

from __future__ import annotations

import math

import numpy as np
from world import driver


def draw(rng: np.random.Generator) -> tuple[np.ndarray, np.ndarray]:
    """Frequencies [Hz] and impedance [ohm] of a driver, in free air, in a box or with a bump."""
    unit = driver.draw(rng)
    fs, Vas = unit.truth["fs"], unit.truth["Vas"]
    low = max(fs / 5, 6.0)
    frequency = np.geomspace(low, 20000, round(40 * math.log2(20000 / low)))
    held = driver.frame(unit.frame_kg, 400.0 * (fs / 40) ** 0.5, 8.0) if fs < 400 else None
    m3, moved = Vas * float(rng.uniform(0.3, 2)), ()
    kind = rng.choice(["free", "free", "sealed", "vented", "bump"])
    if kind == "sealed":
        moved = (driver.chamber(unit.Sd, m3),)
    elif kind == "vented":
        tuned = driver.vent(m3, fs * float(rng.uniform(0.6, 1.4)), 7.0)
        moved = (driver.chamber(unit.Sd, m3, tuned),)
    elif kind == "bump":
        size, place = 10 ** rng.uniform(-2, -1), 10 ** rng.uniform(0.3, 1)
        moved = (driver.resonator(unit.M * size, fs * place, 10 ** rng.uniform(0.5, 1.2)),)
    return frequency, unit.impedance(2j * np.pi * frequency, held, moved)


def measured(impedance_ohm, frequency_hz, rng, *, resistor_ohm, gain=0.0, delay=0.0, creep=0.0):
    """A curve as a divider on the hot side tells it whose inputs differ, with its noise.

    ``creep`` is what one input's gain grows by during one exponential sweep; ``delay`` is in
    samples of 48 kHz, noise -90 dB of the source.
    """
    ratio = impedance_ohm / (resistor_ohm + impedance_ohm)
    along = np.log(frequency_hz / frequency_hz[0]) / np.log(frequency_hz[-1] / frequency_hz[0])
    ratio = ratio * (1 + gain) * (1 + creep * along)
    ratio = ratio * np.exp(-2j * np.pi * frequency_hz * delay / 48000)
    ratio = ratio + 3e-5 * (rng.normal(size=ratio.size) + 1j * rng.normal(size=ratio.size))
    z = resistor_ohm * ratio / (1 - ratio)
    return z, 3e-5 * np.abs(resistor_ohm + z) ** 2 / resistor_ohm
