"""A fitted driver as a SPICE subcircuit of resistors, inductors and one capacitor.

A closed former adds an ideal transformer, as two controlled sources.
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping, Sequence

from fit.driver.former import Former
from fit.driver.named_model import KnownModel, known
from fit.driver.suspension import Creep, Relaxing
from fit.driver.voicecoil import Ladder, Lossy, Plain
from meas.errors import Finding, Refused

_STEP = 0.6
"""Step of the power law's expansion in the logarithm of frequency: the trapezoidal rule for an
analytic integrand errs by exp(-pi^2/step), here 7e-8 (L. N. Trefethen, J. A. C. Weideman, SIAM
Review 56(3), 2014)."""

_MARGIN = math.log(1e4)
"""How far the expansion reaches beyond the band at either end; what lies outside is summed in
closed form to first order, which leaves its square."""


def subcircuit(
    name: str,
    values: Mapping[str, float],
    model: str,
    low_hz: float = 1.0,
    high_hz: float = 40e3,
    comments: tuple[str, ...] = (),
) -> str:
    """The driver's electrical equivalent in free air between two terminals.

    Re in series with the coil and, for the motion, Res parallel to an inductance Cms Bl^2 and a
    capacitance Mms/Bl^2 (R. H. Small, J. Audio Eng. Soc. 20(5), 1972), which need no Bl: they are
    Res/(Qms 2 pi fs) and Qms/(Res 2 pi fs). A suspension that gives slowly is a chain of
    resistances and inductances instead. A closed former is one loop of resistance and inductance
    between coil and motion: its inductance carries the coil's current and its own, its own drives
    the moving system as the coil's does.

    Args:
        name: Name of the subcircuit; anything but letters, digits and _ is replaced.
        values: ``Re fs Qms Res`` and the coil's: ``Le`` (plain), ``L1 L2 R2 L3 R3 ...``
            (ladders) or ``K n`` (lossy); and the laws': ``creep``, ``give f_give``, ``brake
            f_former R_former``.
        model: Name of the model.
        low_hz: Lower end of the band in which a lossy coil and creep are to be right [Hz].
        high_hz: Its upper end [Hz].
        comments: Lines to put on top.

    Raises:
        Refused: ``no-circuit``, if the model cannot be written as a circuit; ``unknown-coil``,
            if it is not known or lacks a parameter.
    """
    clean = re.sub(r"\W", "_", name, flags=re.ASCII) or "driver"
    driver = known(model, values)
    lines = [f"* {line}" for comment in comments for line in comment.splitlines()]
    lines += [f".subckt {clean} plus minus", f"Re plus c0 {values['Re']!r}"]
    coil = _coil(driver, low_hz, high_hz)
    lines += _chain("c", coil, "c0", end := f"c{len(coil)}")
    if driver.mechanics.former is not None:
        lines += _ring(driver, values, end, end := "m0")
    lines += _motion(driver, values, end, low_hz, high_hz)
    return "\n".join([*lines, f".ends {clean}", ""])


Section = tuple[float | None, float | None]
"""Resistance [ohm] parallel to inductance [H], None where absent."""


def _chain(letter: str, sections: Sequence[Section], here: str, end: str) -> list[str]:
    """Sections in series between two nodes; those between are named by the letter."""
    lines = []
    for index, (resistance, inductance) in enumerate(sections):
        there = end if index == len(sections) - 1 else f"{letter}{index + 1}"
        # A conductance as controlled source: simulators may raise small resistances.
        if resistance is not None:
            lines.append(_ohm(f"{letter}{index}", here, there, resistance))
        if inductance is not None:
            lines.append(f"L{letter}{index} {here} {there} {inductance!r}")
        here = there
    return lines


def _ohm(name: str, here: str, there: str, ohm: float) -> str:
    return f"G{name} {here} {there} {here} {there} {1 / ohm!r}"


def _coil(driver: KnownModel, low_hz: float, high_hz: float) -> list[Section]:
    """The coil as sections in series."""
    coil, values = driver.coil, driver.coil.reported(driver.of_coil)
    if isinstance(coil, Plain):
        return [(None, math.exp(driver.of_coil[0]))]
    if isinstance(coil, Ladder):
        sizes = [value for value, _ in values.values()]
        return [(None, sizes[0]), *zip(sizes[2::2], sizes[1::2], strict=True)]
    if isinstance(coil, Lossy):
        return _power_law(values["K"][0], values["n"][0], low_hz, high_hz)
    raise Refused([_no_circuit(coil.name, driver.mechanics.name)])


def _motion(
    driver: KnownModel, values: Mapping[str, float], here: str, low_hz: float, high_hz: float
) -> list[str]:
    """The moving system: mass as capacitance, loss as conductance, spring as a chain.

    Over Bl^2 the mechanical impedance is an admittance, so that forces side by side are branches
    side by side (e.g. L. L. Beranek, Acoustics, 1954, ch. 3). The laws are normalised to the
    stiffness and the loss at resonance (`fit.driver.mechanics`): what they take of the loss there
    is not in the conductance beside them.
    """
    mechanics, laws = driver.mechanics, driver.of_laws
    omega, Res, Qms = 2 * math.pi * values["fs"], values["Res"], values["Qms"]
    size = float(mechanics.at_resonance(laws).real)
    viscous = float(1 - Qms * mechanics.loss(laws))
    unit = Res * size / Qms  # reactance at resonance of a spring of stiffness 1
    lines = [f"Cm {here} minus {Qms / (Res * omega)!r}"]
    if viscous > 0:
        lines.append(f"Rm {here} minus {Res / viscous!r}")
    elif viscous < 0:
        lines += [
            "* negative: the law of the suspension takes more than all of the loss at resonance",
            _ohm("m", here, "minus", Res / viscous),
        ]
    spring: list[Section] = [(None, unit / omega)]
    for law, own in zip(mechanics.laws, mechanics.parts(laws), strict=True):
        told = {name: value for name, (value, _) in law.reported(own, values["fs"]).items()}
        if isinstance(law, Creep):
            spring = _creep(unit / omega, told["creep"], values["fs"], low_hz, high_hz)
        elif isinstance(law, Relaxing):
            slow = told["give"] * unit / omega
            spring.append((slow * 2 * math.pi * told["f_give"], slow))
        elif not isinstance(law, Former):  # a law without a circuit must not be left out
            raise Refused([_no_circuit(driver.coil.name, mechanics.name)])
    return lines + _chain("m", spring, here, "minus")


def _ring(driver: KnownModel, values: Mapping[str, float], here: str, there: str) -> list[str]:
    """A closed former, seen from the coil, between the coil and the motion.

    Referred to the coil's turns the ring is a loop of R = R_former and L = R/(2 pi f_former). Both
    currents pass L. Beside R the motion induces in it the share `turn` of what it induces in the
    coil, and its current pushes by the same share: an ideal transformer. Solved for the current of
    the loop, this is what `fit.driver.former` says: R h in the coil, a force factor of 1 - turn h,
    and turn^2/R (1 - h) beside the conductances of the motion.
    """
    told = driver.mechanics.reported(driver.of_laws, values["fs"])
    f_former, R = told["f_former"][0], told["R_former"][0]
    turn = driver.mechanics.turn(driver.of_laws, values["Qms"] / values["Res"])
    return [
        "* closed former: a loop of Lf and Gf, by an ideal transformer (Ef, Ff) in the motion, too",
        f"Lf {here} {there} {R / (2 * math.pi * f_former)!r}",
        _ohm("f", here, "f1", R),
        "Vf f1 f2 0",
        f"Ef {there} f2 {there} minus {turn!r}",
        f"Ff {there} minus Vf {turn!r}",
    ]


def _no_circuit(coil: str, laws: str) -> Finding:
    return Finding(
        "no-circuit",
        f"the coil model '{coil}' follows the curve by two power laws that no circuit of finite "
        f"parts does; fit with --model lossy{laws}, ladder{laws} or plain{laws}",
        refuses=True,
    )


def _creep(
    inductance: float, creep: float, fs: float, low_hz: float, high_hz: float
) -> list[Section]:
    """s L [1 - creep log10(s/ws)] as a spring and a chain of elements that give slowly.

    ln(W/s) = integral of w/(s + w) d ln w up to a W far above s (J. D. Ferry, Viscoelastic
    Properties of Polymers, 3rd ed. 1980, ch. 3: a retardation spectrum of equal weights), by the
    trapezoidal rule; each term is a resistance parallel to an inductance with corner w. Terms
    below the band act as resistances, a geometric sum; the terms end so far above it as the
    spring left over, which makes the compliance at resonance right, stays positive. For a creep
    of 0.15 per decade the impedance of a driver is right to 3e-6 of |Z| within the band, for 0.2
    to 1e-5, for the steepest of 0.3 to 1e-3.
    """
    weight = inductance * creep / math.log(10) * _STEP
    resonance = math.log(2 * math.pi * fs)
    first = math.floor((math.log(2 * math.pi * low_hz) - _MARGIN) / _STEP)
    end = min(math.log(2 * math.pi * high_hz) + _MARGIN, resonance + math.log(10) / creep)
    last = math.floor(end / _STEP - 1)
    corners = [math.exp(k * _STEP) for k in range(first, last + 1)]
    lag = sum(1 / (1 + math.exp(2 * resonance) / corner**2) for corner in corners)
    below = weight * math.exp((first - 1) * _STEP) / (1 - math.exp(-_STEP))
    rest = inductance - weight * lag
    return [(None, rest), (below, None), *((weight * corner, weight) for corner in corners)]


def _power_law(K: float, n: float, low_hz: float, high_hz: float) -> list[Section]:
    """K s^n as a chain of resistance-inductance pairs.

    s^n = sin(n pi)/pi * integral of w^(n-1) s/(s + w) dw over w > 0 (e.g. K. B. Oldham,
    J. Spanier, The Fractional Calculus, 1974), by the trapezoidal rule in ln w; each term is a
    resistance parallel to an inductance with corner w. Terms below the band act as resistances,
    terms above as inductances, both geometric sums.
    """
    scale = K * math.sin(n * math.pi) / math.pi * _STEP
    first = math.floor((math.log(2 * math.pi * low_hz) - _MARGIN) / _STEP)
    last = math.ceil((math.log(2 * math.pi * high_hz) + _MARGIN) / _STEP)
    pairs: list[Section] = []
    for k in range(first, last + 1):
        corner = math.exp(k * _STEP)
        resistance = scale * corner**n
        pairs.append((resistance, resistance / corner))
    below = scale * math.exp((first - 1) * _STEP * n) / (1 - math.exp(-_STEP * n))
    above = scale * math.exp((last + 1) * _STEP * (n - 1)) / (1 - math.exp(_STEP * (n - 1)))
    return [(below, None), *pairs, (None, above)]
