"""A bench as drawn: what it is, what its owner believes of it, what it records."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from world import card, driver
from world.circuit import RATE, Drive, State, nodes, spliced
from world.driver import Driver

Effect = Callable[[np.ndarray], np.ndarray]


@dataclass(frozen=True)
class Condition:
    """Free air, or a mass or a box: as stated, with its limits, and as it is."""

    name: str
    stated: float = 0.0
    limits: float = 0.0
    moved: tuple[driver.Impedance, ...] = ()


FREE = Condition("free-air")


@dataclass(frozen=True)
class Bench:
    """``later`` is what the bench turns into at a time [s] of the first take.

    ``in_software`` happens to takes after conversion, the noise of the inputs included.
    """

    driver: Driver
    state: State
    drive: Drive
    resistor_stated: float
    calibrated: bool
    conditions: tuple[Condition, ...] = (FREE,)
    gain: float = 1.0
    delay: float = 0.0
    drift: tuple[float, float] = (0.0, 0.0)
    noise: float = 2e-5
    bits: int = 24
    hum: float = 0.0
    mains_hz: float = 50.0
    rate_told: int = RATE
    on_take: tuple[Effect, ...] = ()
    on_calibration: tuple[Effect, ...] = ()
    in_software: tuple[Effect, ...] = ()
    later: tuple[float, State] | None = None
    late_by: float = 0.0
    input_stated: float | None = None
    faults: tuple[str, ...] = ()

    def with_state(self, **changes) -> Bench:
        return replace(self, state=replace(self.state, **changes))

    def effect(self, *effects: Effect, also_calibration: bool = False) -> Bench:
        both = self.on_calibration + (effects if also_calibration else ())
        return replace(self, on_take=self.on_take + effects, on_calibration=both)

    def _heard(self, volts, effects, gain, delay, rng):
        volts = card.unlike(volts, gain, delay)
        for effect in effects:
            volts = effect(volts)
        return card.converted(
            volts, rng, noise=self.noise, bits=self.bits, hum=self.hum, mains_hz=self.mains_hz
        ).astype(np.float32)

    def take(self, condition: Condition, rng: np.random.Generator) -> np.ndarray:
        """What both inputs record of one condition, shape (n, 2)."""

        def made(state):
            return nodes(self.drive.samples, replace(state, moved=state.moved + condition.moved))

        volts = made(self.state)
        if self.later is not None and condition is self.conditions[0]:
            volts = spliced(volts, made(self.later[1]), self.later[0])
        volts = volts[round(self.late_by * RATE) :]
        gain, delay = self.gain * (1 + self.drift[0]), self.delay + self.drift[1]
        heard = self._heard(volts, self.on_take, gain, delay, rng)
        for effect in self.in_software:
            heard = effect(heard)
        return heard

    def check(self, ohm: float, rng: np.random.Generator) -> np.ndarray:
        """What both inputs record of a known resistor in the driver's place after the takes."""
        known = Driver("resistor", ohm, 1e-6, 0.01, 1e-3, 1.0, 0.01)
        state = replace(self.state, driver=known, held=None, moved=(), force=None, heat=None)
        gain, delay = self.gain * (1 + self.drift[0]), self.delay + self.drift[1]
        return self._heard(nodes(self.drive.samples, state), self.on_take, gain, delay, rng)

    def calibration(self, rng: np.random.Generator) -> np.ndarray:
        """Both inputs on the source node."""
        node = nodes(self.drive.samples, replace(self.state, force=None, heat=None))[:, [0, 0]]
        return self._heard(node, self.on_calibration, self.gain, self.delay, rng)


def healthy(rng: np.random.Generator, *, calibrated: bool, loaded: bool | None = None) -> Bench:
    """A bench as a careful person has it, everything inside the limits that are stated of it."""
    unit = driver.draw(rng)
    fs = unit.truth["fs"]
    side = "hot" if rng.random() < 0.7 else "ground"
    stated = float(rng.choice([4.7, 8.2, 10, 22, 47])) if side == "hot" else 10.0
    low = float(np.clip(fs / 5, 6, 200))
    drive = Drive(low, both_ways=bool(rng.random() < 0.7), seconds=float(rng.choice([1.4, 2.2])))
    input_ohm = float(math.exp(rng.uniform(math.log(2e4), math.log(1e5))))
    frame = driver.frame(unit.frame_kg, 400.0 * (fs / 40) ** 0.5, 8.0)
    state = State(
        unit, stated * (1 + float(rng.uniform(-0.01, 0.01))), side, float(rng.uniform(0.1, 1.0)),
        lead_ohm=float(rng.uniform(0, 0.015)), input_ohm=input_ohm,
        held=frame if fs < 400 else None,
    )  # fmt: skip
    bench = Bench(
        unit, state, drive, stated, calibrated,
        gain=1 + float(rng.uniform(-0.03, 0.03)), delay=float(rng.uniform(-1, 1)),
        drift=(5e-4 * float(rng.uniform(-1, 1)), 0.002 * float(rng.uniform(-1, 1))),
        noise=float(10 ** rng.uniform(-5, -4)), bits=int(rng.choice([16, 24])),
        hum=float(rng.choice([0, 10 ** rng.uniform(-5, -4)])),
        input_stated=input_ohm * (1 + 0.1 * float(rng.uniform(-1, 1))),
    )  # fmt: skip
    if loaded is None:
        loaded = rng.random() < 0.35
    return replace(bench, conditions=(FREE, *_loads(unit, rng))) if loaded else bench


def _loads(unit: Driver, rng: np.random.Generator) -> tuple[Condition, ...]:
    loads = []
    if rng.random() < 0.7:
        kg = unit.M * float(rng.uniform(0.5, 1.0))
        limits = 0.02 * kg
        true = kg + limits * float(rng.uniform(-1, 1))
        loads.append(Condition("added-mass", kg, limits, (driver.mass(true),)))
    if rng.random() < 0.4 or not loads:
        m3 = unit.truth["Vas"] * float(rng.uniform(0.5, 1.2))
        limits = 0.03 * m3
        true = m3 + limits * float(rng.uniform(-1, 1))
        loads.append(Condition("test-box", m3, limits, (driver.chamber(unit.Sd, true),)))
    return tuple(loads)


def second_mass(bench: Bench, rng: np.random.Generator) -> Bench:
    """One more take with another mass, weighed anew, where there is a mass or a box at all."""
    if len(bench.conditions) == 1:
        return bench
    kg = bench.driver.M * float(rng.uniform(0.3, 0.5))
    true = kg * (1 + 0.02 * float(rng.uniform(-1, 1)))
    more = Condition("added-mass", kg, 0.02 * kg, (driver.mass(true),))
    return replace(bench, conditions=(*bench.conditions, more))


def sitting(bench: Bench, rng: np.random.Generator) -> Bench:
    """The driver as it is this time: mounted anew, it is never quite the same.

    0.15 % of fs, 1 % of Qms, 0.1 % of Re, one standard deviation (common practice, no source).
    """
    this = replace(
        bench.driver,
        C=bench.driver.C * math.exp(rng.normal(0, 0.003)),
        R=bench.driver.R * math.exp(rng.normal(0, 0.01)),
        Re=bench.driver.Re * math.exp(rng.normal(0, 0.001)),
    )
    return bench.with_state(driver=this)
