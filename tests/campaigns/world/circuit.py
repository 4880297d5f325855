"""The bench as a circuit: what a drive leaves on the two nodes of the divider."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np
from scipy import fft
from world.driver import Driver, Impedance, parallel

RATE = 48000
_QUIET, _TAIL = 0.6, 0.9
_ROUNDS = 12


@dataclass(frozen=True)
class State:
    """Everything between source and ground, at one time.

    ``force`` gives the force on the cone beyond its linear laws from displacement and velocity, and
    ``heat`` the relative change of Re over time.
    """

    driver: Driver
    resistor_ohm: float
    side: str = "hot"
    source_ohm: float = 0.3
    resistor_henry: float = 0.0
    lead_ohm: float = 0.0
    input_ohm: float = 1e6
    across_ohm: float = 1e9
    held: Impedance | None = None
    moved: tuple[Impedance, ...] = ()
    force: Callable[[np.ndarray, np.ndarray], np.ndarray] | None = None
    heat: np.ndarray | None = None


@dataclass(frozen=True)
class Drive:
    """A sweep up, or up and down again, between silences."""

    low_hz: float
    high_hz: float = 20000.0
    seconds: float = 1.4
    both_ways: bool = True
    level: float = 0.3
    samples: np.ndarray = field(init=False, repr=False)

    def __post_init__(self):
        t = np.arange(round(self.seconds * RATE)) / RATE
        rate = self.seconds / np.log(self.high_hz / self.low_hz)
        wave = np.sin(2 * np.pi * self.low_hz * rate * np.expm1(t / rate))
        wave *= np.sin(np.pi / 2 * np.clip(np.minimum(t / 0.03, (t[-1] - t) / 0.004), 0, 1)) ** 2
        quiet, tail = np.zeros(round(_QUIET * RATE)), np.zeros(round(_TAIL * RATE))
        parts = [quiet, wave, tail, *((wave[::-1], tail) if self.both_ways else ())]
        object.__setattr__(self, "samples", self.level * np.concatenate(parts))


def nodes(drive: np.ndarray, state: State) -> np.ndarray:
    """Voltages at source node and at the divider's middle, shape (n, 2).

    The driver's branch sees the rest as one source behind one impedance. What is not linear in it
    acts as a voltage in its branch, found by going round: current, motion, force, voltage.
    """
    size = fft.next_fast_len(drive.size + RATE, real=True)
    frequency = np.maximum(np.arange(size // 2 + 1) * RATE / size, 1e-2)
    s = 2j * np.pi * frequency
    E = fft.rfft(drive, size)
    driver = state.driver
    branch = driver.impedance(s, state.held, state.moved) + state.lead_ohm
    resistor = state.resistor_ohm + s * state.resistor_henry
    if state.side == "hot":
        before, beside = state.source_ohm + resistor, parallel(state.input_ohm, state.across_ohm)
    else:
        resistor = parallel(resistor, state.input_ohm)
        before, beside = state.source_ohm + resistor, state.across_ohm
    behind, open_volts = parallel(before, beside), E * beside / (beside + before)

    amps = open_volts / (behind + branch)
    extra = np.zeros_like(E)
    if state.force is not None or state.heat is not None:
        mechanical = driver.mechanical(s, state.held, state.moved)
        push = np.zeros_like(E)
        for _ in range(_ROUNDS):
            if state.force is not None:
                velocity = (driver.Bl * amps + push) / mechanical
                x, v = fft.irfft(velocity / s, size), fft.irfft(velocity, size)
                push = fft.rfft(state.force(x, v), size)
            extra = driver.Bl * push / mechanical + _warmth(amps, state, size)
            amps = (open_volts - extra) / (behind + branch)
    across = open_volts - behind * amps
    through = (E - across) / before
    source = E - state.source_ohm * through
    middle = across if state.side == "hot" else resistor * through
    return np.stack([fft.irfft(v, size)[: drive.size] for v in (source, middle)], 1)


def _warmth(amps, state, size):
    if state.heat is None:
        return 0.0
    warm = np.zeros(size)
    warm[: state.heat.size] = state.heat
    return fft.rfft(state.driver.Re * warm * fft.irfft(amps, size), size)


def spliced(one: np.ndarray, other: np.ndarray, at_s: float) -> np.ndarray:
    """One bench until a time, another from then on; 2 ms between them."""
    share = np.clip((np.arange(one.shape[0]) / RATE - at_s) / 0.002, 0, 1)[:, None]
    return one * (1 - share) + other * share
