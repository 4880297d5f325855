"""Standard crossovers: first and second order, compensation, attenuation, in buildable values."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from fit.crossover.ladder import Part, Place
from fit.crossover.load import Load
from fit.crossover.network import NetworkArm, NetworkPart
from fit.design.preferred import nearest
from fit.parts.passive import LETTER

if TYPE_CHECKING:
    from fit.parts.part_fit import PartKind

    _Step = tuple[Place, tuple[tuple[PartKind, float], ...]]

TOLERANCE = {"capacitor": 0.10, "inductor": 0.05, "resistor": 0.05}
"""Half-widths of the limits of bought parts (common practice, no source)."""


@dataclass(frozen=True)
class BranchAim:
    """Specification of a branch by its textbook filter.

    Attributes:
        low_pass: Low-pass, for a woofer; else high-pass, for a tweeter.
        crossover_hz: Corner frequency [Hz].
        order: 1 or 2.
        Q: Q of a second-order section into a resistance.
        compensate: Whether to level the coil's inductance first.
        attenuate_db: Attenuation between filter and driver [dB]; 0 for none.
        series: Preferred values to take (IEC 60063: 3, 6, 12 ...); None: exact values.
    """

    low_pass: bool
    crossover_hz: float
    order: int = 1
    Q: float = math.sqrt(0.5)
    compensate: bool = False
    attenuate_db: float = 0.0
    series: int | None = 12


def design(aim: BranchAim, load: Load) -> tuple[tuple[NetworkArm, ...], float]:
    """Design arms from the amplifier to the driver, and say for which resistance [ohm].

    The textbook values hold for a resistance. A driver is none: |Z| at the corner stands for it,
    Re where its inductance is compensated. What the values really do follows from solving the
    network into the measured impedance.

    Raises:
        ValueError: If the order is not 1 or 2.
    """
    if aim.order not in (1, 2):
        raise ValueError(f"order {aim.order} is neither 1 nor 2")
    nominal = load.Re if aim.compensate else _magnitude(load, aim.crossover_hz)
    if aim.order == 1:
        C, L = first_order_parts(aim.crossover_hz, nominal)
    else:
        C, L = second_order_parts(aim.crossover_hz, nominal, aim.Q)
    coil: tuple[PartKind, float] = ("inductor", L)
    capacitor: tuple[PartKind, float] = ("capacitor", C)
    in_line, across = (coil, capacitor) if aim.low_pass else (capacitor, coil)
    steps: list[_Step] = [("series", (in_line,))]
    if aim.order == 2:
        steps.append(("shunt", (across,)))
    if aim.attenuate_db > 0:
        first, second = attenuator(nominal, aim.attenuate_db)
        steps += [("series", (("resistor", first),)), ("shunt", (("resistor", second),))]
    if aim.compensate:
        R, C = compensation(load.Re, load.Le)
        steps.append(("shunt", (("resistor", R), ("capacitor", C))))
    return _named(steps, aim.series), nominal


def _magnitude(load: Load, hz: float) -> float:
    import numpy as np

    return float(abs(load.impedance(np.array([hz]))[0]))


def _named(steps: Sequence[_Step], series: int | None) -> tuple[NetworkArm, ...]:
    counts = dict.fromkeys(LETTER, 0)
    arms = []
    for place, parts in steps:
        made = []
        for kind, exact in parts:
            counts[kind] += 1
            value = exact if series is None else nearest(exact, series)
            tolerance = TOLERANCE[kind] * value / math.sqrt(3)
            made.append(NetworkPart(f"{LETTER[kind]}{counts[kind]}", Part(kind, value), tolerance))
        arms.append(NetworkArm(place, tuple(made)))
    return tuple(arms)


def first_order_parts(crossover_hz: float, load_ohm: float) -> tuple[float, float]:
    """Capacitance [F] and inductance [H] of first-order high-pass and low-pass.

    C = 1/(2 pi f R), L = R/(2 pi f): reactance equals the load at the crossover (basic circuit
    theory).

    >>> C, L = first_order_parts(3000.0, 8.0)
    >>> print(f"{1e6 * C:.2f} uF, {1e3 * L:.3f} mH")
    6.63 uF, 0.424 mH

    Args:
        crossover_hz: Half-power frequency [Hz].
    """
    omega = 2 * math.pi * crossover_hz
    return 1 / (omega * load_ohm), load_ohm / omega


def second_order_parts(crossover_hz: float, load_ohm: float, Q: float) -> tuple[float, float]:
    """Capacitance [F] and inductance [H] of a second-order section of given Q.

    L = R/(omega Q), C = Q/(omega R): series reactance and shunt reactance resonate at the
    crossover, the load damps to Q (basic circuit theory). Q 0.5 gives two equal real poles
    (branches sum flat in power with one reversed), 1/sqrt 2 maximally flat, 0.577 maximally flat
    delay.
    """
    omega = 2 * math.pi * crossover_hz
    return Q / (omega * load_ohm), load_ohm / (omega * Q)


def compensation(Re: float, Le: float) -> tuple[float, float]:
    """Resistance [ohm] and capacitance [F] across a driver that make Re + s Le resistive.

    R = Re, C = Le/Re^2: (Re + s Le) parallel (R + 1/(s C)) is Re at every frequency (basic
    circuit theory).
    """
    return Re, Le / Re**2


def attenuator(load_ohm: float, decibel: float) -> tuple[float, float]:
    """Series and shunt resistance [ohm] that lower the level and keep the load.

    Series R1 = R (k - 1)/k, shunt R2 = R/(k - 1) with k the voltage ratio (basic circuit theory).

    3 dB less for a tweeter of 8 ohm:

    >>> "%.2f ohm in line, %.1f ohm across" % attenuator(8.0, 3.0)
    '2.34 ohm in line, 19.4 ohm across'

    Args:
        load_ohm: Load, and the input resistance to keep [ohm].
        decibel: Wished attenuation, positive [dB].
    """
    ratio = 10 ** (decibel / 20)
    return load_ohm * (ratio - 1) / ratio, load_ohm / (ratio - 1)
