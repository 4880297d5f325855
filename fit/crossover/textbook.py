"""Standard crossovers: first and second order, compensation, attenuation, in buildable values."""

from __future__ import annotations

import math
from dataclasses import dataclass

from fit.crossover.ladder import (
    Part,
    attenuator,
    compensation,
    first_order_parts,
    second_order_parts,
)
from fit.crossover.load import Load
from fit.crossover.network import NetworkArm, NetworkPart
from fit.design.preferred import nearest
from fit.parts.passive import LETTER

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
    in_line, across = (("inductor", L), ("capacitor", C))[:: 1 if aim.low_pass else -1]
    steps: list[tuple[str, tuple[tuple[str, float], ...]]] = [("series", (in_line,))]
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


def _named(
    steps: list[tuple[str, tuple[tuple[str, float], ...]]], series: int | None
) -> tuple[NetworkArm, ...]:
    counts = dict.fromkeys(LETTER, 0)
    arms = []
    for place, parts in steps:
        made = []
        for kind, exact in parts:
            counts[kind] += 1
            value = exact if series is None else nearest(exact, series)
            made.append(
                NetworkPart(
                    f"{LETTER[kind]}{counts[kind]}",
                    Part(kind, value),  # type: ignore[arg-type]  # one of the three kinds above
                    TOLERANCE[kind] * value / math.sqrt(3),
                )
            )
        arms.append(NetworkArm("series" if place == "series" else "shunt", tuple(made)))
    return tuple(arms)
