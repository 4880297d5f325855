"""A fitted driver as a SPICE subcircuit of resistors, inductors and one capacitor."""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from meas.curve import ComplexArray
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
    Res/(Qms 2 pi fs) and Qms/(Res 2 pi fs).

    Args:
        name: Name of the subcircuit; anything but letters, digits and _ is replaced.
        values: ``Re fs Qms Res`` and the coil's: ``Le`` (plain), ``L1 L2 R2 L3 R3 ...``
            (ladders) or ``K n`` (lossy).
        model: Name of the coil model.
        low_hz: Lower end of the band in which a lossy coil is to be right [Hz].
        high_hz: Its upper end [Hz].
        comments: Lines to put on top.

    Raises:
        Refused: If the model cannot be written as a circuit.
    """
    omega = 2 * math.pi * values["fs"]
    coil = coil_sections(values, model).chain(low_hz, high_hz)
    clean = re.sub(r"\W", "_", name, flags=re.ASCII) or "driver"
    lines = [f"* {line}" for comment in comments for line in comment.splitlines()]
    lines += [f".subckt {clean} plus minus", f"Re plus c0 {values['Re']!r}"]
    for index, (resistance, inductance) in enumerate(coil):
        here, there = f"c{index}", f"c{index + 1}"
        # A conductance as controlled source: simulators may raise small resistances.
        if resistance is not None:
            lines.append(f"Gc{index} {here} {there} {here} {there} {1 / resistance!r}")
        if inductance is not None:
            lines.append(f"Lc{index} {here} {there} {inductance!r}")
    end = f"c{len(coil)}"
    Res, Qms = values["Res"], values["Qms"]
    lines += [
        f"Rm {end} minus {Res!r}",
        f"Lm {end} minus {Res / (Qms * omega)!r}",
        f"Cm {end} minus {Qms / (Res * omega)!r}",
        f".ends {clean}",
        "",
    ]
    return "\n".join(lines)


@dataclass(frozen=True)
class CoilSections:
    """A coil model as a circuit.

    Attributes:
        pairs: Sections in series: resistance [ohm] parallel to inductance [H], None where absent.
        power: K and n of a power law K s^n in series with them; None without one.
        symbols: The parameters that it is made of.
    """

    pairs: tuple[tuple[float | None, float], ...]
    power: tuple[float, float] | None
    symbols: tuple[str, ...]

    def impedance(self, s: ComplexArray) -> ComplexArray:
        """Impedance [ohm], shape (n,), at s [rad/s]; the power law exact."""
        total = np.zeros(s.shape, dtype=np.complex128)
        for resistance, inductance in self.pairs:
            reactance = s * inductance
            total += (
                reactance
                if resistance is None
                else reactance * resistance / (resistance + reactance)
            )
        if self.power is not None:
            K, n = self.power
            total += K * s**n
        return total

    def chain(self, low_hz: float, high_hz: float) -> list[tuple[float | None, float | None]]:
        """Resistance and inductance of each section, the power law expanded for the band."""
        pairs: list[tuple[float | None, float | None]] = list(self.pairs)
        if self.power is not None:
            pairs += _power_law(*self.power, low_hz, high_hz)
        return pairs


def coil_sections(values: Mapping[str, float], model: str) -> CoilSections:
    """The circuit of a fitted coil: an inductance, a chain of bridged ones, or a power law.

    Args:
        values: The coil's parameters under their own names.
        model: Name of the coil model, for messages.

    Raises:
        Refused: ``no-circuit``, if the model cannot be written as a circuit.
    """
    if "K" in values and "n" in values:
        return CoilSections((), (values["K"], values["n"]), ("K", "n"))
    if "L1" in values:
        pairs: list[tuple[float | None, float]] = [(None, values["L1"])]
        symbols = ["L1"]
        for number in range(2, 10):
            names = (f"L{number}", f"R{number}")
            if all(name in values for name in names):
                pairs.append((values[names[1]], values[names[0]]))
                symbols += names
        return CoilSections(tuple(pairs), None, tuple(symbols))
    if model == "plain" and "Le" in values:
        return CoilSections(((None, values["Le"]),), None, ("Le",))
    raise Refused(
        [
            Finding(
                "no-circuit",
                "the takes did not reach up to where the inductance shows; measure up to 2 kHz "
                "at least and fit again"
                if model == "plain"
                else f"the coil model '{model}' has no circuit of finite parts; fit with --model "
                "plain, ladder or lossy",
                refuses=True,
            )
        ]
    )


def _power_law(
    K: float, n: float, low_hz: float, high_hz: float
) -> list[tuple[float | None, float | None]]:
    """K s^n as a chain of resistance-inductance pairs.

    s^n = sin(n pi)/pi * integral of w^(n-1) s/(s + w) dw over w > 0 (e.g. K. B. Oldham,
    J. Spanier, The Fractional Calculus, 1974), by the trapezoidal rule in ln w; each term is a
    resistance parallel to an inductance with corner w. Terms below the band act as resistances,
    terms above as inductances, both geometric sums.
    """
    scale = K * math.sin(n * math.pi) / math.pi * _STEP
    first = math.floor((math.log(2 * math.pi * low_hz) - _MARGIN) / _STEP)
    last = math.ceil((math.log(2 * math.pi * high_hz) + _MARGIN) / _STEP)
    pairs: list[tuple[float | None, float | None]] = []
    for k in range(first, last + 1):
        corner = math.exp(k * _STEP)
        resistance = scale * corner**n
        pairs.append((resistance, resistance / corner))
    below = scale * math.exp((first - 1) * _STEP * n) / (1 - math.exp(-_STEP * n))
    above = scale * math.exp((last + 1) * _STEP * (n - 1)) / (1 - math.exp(_STEP * (n - 1)))
    return [(below, None), *pairs, (None, above)]
