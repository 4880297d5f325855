"""Ladder networks between an amplifier and a driver.

A ladder is a chain of series and shunt arms from the source to the load. Its currents and
voltages follow from the load backwards by Kirchhoff's laws, exactly, for any impedances.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

import numpy as np

from fit.parts.passive import UNIT
from meas.curve import ComplexArray, FloatArray

if TYPE_CHECKING:
    from fit.parts.part_fit import PartKind

Place = Literal["series", "shunt"]
"""In the line, or across it."""


@dataclass(frozen=True)
class Part:
    """One passive part with its main flaw.

    Attributes:
        kind: ``resistor``, ``capacitor`` or ``inductor``.
        value: Ohm, farad or henry.
        series_ohm: Winding or equivalent series resistance [ohm].
        core_ohm: Core loss parallel to the inductance; ``math.inf`` for none [ohm].
    """

    kind: PartKind
    value: float
    series_ohm: float = 0.0
    core_ohm: float = math.inf

    @property
    def unit(self) -> str:
        """Unit of the value."""
        return UNIT[self.kind]

    def impedance(self, frequency_hz: FloatArray) -> ComplexArray:
        """Complex impedance [ohm], shape (n,)."""
        s = 2j * np.pi * np.asarray(frequency_hz, dtype=float)
        if self.kind == "resistor":
            return np.full(s.shape, self.value + self.series_ohm, dtype=complex)
        if self.kind == "capacitor":
            return np.asarray(self.series_ohm + 1 / (s * self.value))
        reactance = s * self.value
        return np.asarray(self.series_ohm + reactance / (1 + reactance / self.core_ohm))


@dataclass(frozen=True)
class Arm:
    """One step of the ladder: parts in series with each other, as one arm.

    Attributes:
        place: ``series`` in the line, ``shunt`` across it.
        parts: In series within the arm, at least one.
    """

    place: Place
    parts: tuple[Part, ...]

    def impedance(self, frequency_hz: FloatArray) -> ComplexArray:
        """Complex impedance of the arm [ohm], shape (n,)."""
        return np.asarray(sum(part.impedance(frequency_hz) for part in self.parts))


@dataclass(frozen=True, eq=False)
class LadderSolution:
    """A ladder solved at every frequency for a source of 1 V.

    Attributes:
        input_ohm: Impedance that the source sees, complex, shape (n,).
        transfer: Load voltage over source voltage, complex, shape (n,).
        arm_current: Current of each arm per volt of the source [A/V], complex, shape (arms, n).
    """

    input_ohm: ComplexArray
    transfer: ComplexArray
    arm_current: ComplexArray


def solve_ladder(
    frequency_hz: FloatArray, arms: Sequence[Arm], load_ohm: ComplexArray
) -> LadderSolution:
    """Solve the chain from the load backwards.

    Args:
        arms: From the source to the load; may be empty.
        load_ohm: Impedance of the load, complex, shape (n,).
    """
    frequency_hz = np.asarray(frequency_hz, dtype=float)
    voltage = np.asarray(load_ohm, dtype=complex)  # per ampere of load current
    current: ComplexArray = np.ones_like(voltage)
    arm_current: list[ComplexArray] = []
    for arm in reversed(arms):
        impedance = arm.impedance(frequency_hz)
        if arm.place == "series":
            arm_current.append(current)
            voltage = voltage + impedance * current
        else:
            arm_current.append(voltage / impedance)
            current = current + voltage / impedance
    stacked = np.array(arm_current[::-1]).reshape(len(arms), frequency_hz.size)
    return LadderSolution(
        input_ohm=voltage / current, transfer=load_ohm / voltage, arm_current=stacked / voltage
    )


def part_power(
    frequency_hz: FloatArray, arms: Sequence[Arm], solution: LadderSolution, volt_rms: float
) -> list[list[FloatArray]]:
    """Heat in every part [W], each of shape (n,): list of arms, each a list of parts."""
    return [
        [np.abs(current * volt_rms) ** 2 * part.impedance(frequency_hz).real for part in arm.parts]
        for arm, current in zip(arms, solution.arm_current, strict=True)
    ]


def parallel(impedances: Sequence[ComplexArray]) -> ComplexArray:
    """Combined load of several branches on one source [ohm], shape (n,)."""
    return np.asarray(1 / sum(1 / impedance for impedance in impedances))
