"""A fitted driver as a SPICE subcircuit of resistors, inductors and one capacitor.

A closed former adds an ideal transformer, as two controlled sources.
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping, Sequence

from fit.driver.elements.sections import Section
from fit.driver.from_reported import KnownModel, in_free_air
from fit.driver.impedance import Driver
from meas.errors import Refused


def subcircuit(
    name: str,
    values: Mapping[str, float],
    model: str,
    low_hz: float = 1.0,
    high_hz: float = 40e3,
    comments: tuple[str, ...] = (),
) -> str:
    """Write the driver's electrical equivalent in free air between two terminals.

    Re in series with the coil and, for the motion, Res parallel to an inductance Cms Bl^2 and a
    capacitance Mms/Bl^2 (R. H. Small, J. Audio Eng. Soc. 20(5), 1972), which need no Bl: they are
    Res/(Qms 2 pi fs) and Qms/(Res 2 pi fs). A suspension that gives slowly is a chain of
    resistances and inductances instead. A closed former is one loop of resistance and inductance
    between coil and motion: its inductance carries the coil's current and its own. Its own current
    drives the moving system as the coil's does.

    Args:
        name: Name of the subcircuit; anything but letters, digits and _ is replaced.
        values: ``Re fs Qms Res`` and the coil's: ``Le`` (plain), ``L1 L2 R2 L3 R3 ...``
            (ladders) or ``K n`` (lossy); and the laws': ``creep``, ``give f_give``, ``brake
            f_former R_former``.
        low_hz: Lower end of the band in which a lossy coil and creep are to be right [Hz].
        high_hz: Its upper end [Hz].

    Raises:
        Refused: ``no-circuit``, if the model cannot be written as a circuit; ``unknown-coil``,
            if it is not known or lacks a parameter.
    """
    clean = re.sub(r"\W", "_", name, flags=re.ASCII) or "driver"
    known, band_hz = in_free_air(model, values), (low_hz, high_hz)
    lines = [f"* {line}" for comment in comments for line in comment.splitlines()]
    lines += [f".subckt {clean} plus minus", f"Re plus c0 {values['Re']!r}"]
    coil = _coil(known, band_hz)
    lines += _chain("c", coil, "c0", end := f"c{len(coil)}")
    if known.driver.mechanics.former is not None:
        lines += _ring(known, values, end, end := "m0")
    lines += _motion(known, values, end, band_hz)
    return "\n".join([*lines, f".ends {clean}", ""])


def _chain(letter: str, sections: Sequence[Section], here: str, end: str) -> list[str]:
    """Sections in series between two nodes; those between are named by the letter."""
    lines = []
    for index, (resistance, inductance) in enumerate(sections):
        there = end if index == len(sections) - 1 else f"{letter}{index + 1}"
        if resistance is not None:
            lines.append(conductance(f"{letter}{index}", here, there, resistance))
        if inductance is not None:
            lines.append(f"L{letter}{index} {here} {there} {inductance!r}")
        here = there
    return lines


def conductance(name: str, here: str, there: str, ohm: float) -> str:
    """A resistance as a controlled source: simulators may raise small resistances."""
    return f"G{name} {here} {there} {here} {there} {1 / ohm!r}"


def _coil(known: KnownModel, band_hz: tuple[float, float]) -> list[Section]:
    """The coil as sections in series."""
    driver = known.driver
    sections = driver.coil.circuit(driver.of_coil(known.internal), band_hz)
    if sections is None:
        raise _no_circuit(driver, driver.mechanics.name)
    return sections


def _motion(
    known: KnownModel, values: Mapping[str, float], here: str, band_hz: tuple[float, float]
) -> list[str]:
    """The moving system: mass as capacitance, loss as conductance, spring as a chain.

    Over Bl^2 the mechanical impedance is an admittance, so that forces side by side are branches
    side by side (e.g. L. L. Beranek, Acoustics, 1954, ch. 3). The laws are normalised to the
    stiffness and the loss at resonance (`fit.driver.mechanics`): what they take of the loss there
    is not in the conductance beside them.
    """
    mechanics, laws = known.driver.mechanics, known.driver.of_laws(known.internal)
    omega, Res, Qms = 2 * math.pi * values["fs"], values["Res"], values["Qms"]
    size = float(mechanics.at_resonance(laws).real)
    viscous = float(1 - Qms * mechanics.loss(laws))
    spring = Res * size / Qms / omega  # inductance of a spring of stiffness 1
    lines = [f"Cm {here} minus {Qms / (Res * omega)!r}"]
    if viscous > 0:
        lines.append(f"Rm {here} minus {Res / viscous!r}")
    elif viscous < 0:
        lines += [
            "* negative: the law of the suspension takes more than all of the loss at resonance",
            conductance("m", here, "minus", Res / viscous),
        ]
    sections: list[Section] | None = [(None, spring)]
    if mechanics.suspension is not None:
        own = mechanics.parts(laws)[0]
        sections = mechanics.suspension.circuit(own, spring, values["fs"], band_hz)
    if sections is None:  # a law without a circuit must not be left out
        raise _no_circuit(known.driver, "")
    return lines + _chain("m", sections, here, "minus")


def _ring(known: KnownModel, values: Mapping[str, float], here: str, there: str) -> list[str]:
    """A closed former, seen from the coil, between the coil and the motion.

    Referred to the coil's turns the ring is a loop of R = R_former and L = R/(2 pi f_former). L
    carries the currents of coil and ring. The motion induces in the ring the share `turn` of what
    it induces in the coil, and the ring's current pushes by the same share: an ideal transformer.
    Solved for the current of the ring, this is what `fit.driver.laws.former` says: R h in the coil,
    a force factor of 1 - turn h, and turn^2/R (1 - h) beside the conductances of the motion.
    """
    f_former, R = values["f_former"], values["R_former"]
    laws = known.driver.of_laws(known.internal)
    turn = known.driver.mechanics.turn(laws, values["Qms"] / values["Res"])
    return [
        "* closed former: a loop of Lf and Gf, by an ideal transformer (Ef, Ff) in the motion, too",
        f"Lf {here} {there} {R / (2 * math.pi * f_former)!r}",
        conductance("f", here, "f1", R),
        "Vf f1 f2 0",
        f"Ef {there} f2 {there} minus {turn!r}",
        f"Ff {there} minus Vf {turn!r}",
    ]


def _no_circuit(driver: Driver, laws: str) -> Refused:
    return Refused.because(
        "no-circuit",
        f"no circuit of finite parts follows the curve as the model '{driver.name}' does "
        f"({driver.coil.words}); fit with --model lossy{laws}, ladder{laws} or plain{laws}",
    )
