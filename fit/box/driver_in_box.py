"""Electrical impedance of a driver in its finished box, with its Jacobian.

The impedance is that of `fit.driver.impedance`; the box adds the stiffness of its air
(`fit.driver.enclosed_air`), alpha = Vas/Vb times that of the suspension. QL stands for all losses
of a vented box, since absorption and a rough vent look much the same; a closed one leaks at a
rate g (R. H. Small, J. Audio Eng. Soc. 20(10), 1972 and 21(5), 1973).

The driver is the one of its saved fit, as uncertain as the fit says: every error source of the
fit is a parameter, a standard-normal number. So is every departure of the driver since: the coil
is warmer, the suspension has drifted, another air moves with the cone.
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping

import numpy as np

from fit.box.saved_driver import SavedDriver
from fit.driver import enclosed_air
from fit.driver.impedance import RESONANCE, STRENGTH, Condition, Modelled
from fit.given.prior_widths import BOX, DRIFT
from meas.curve import ComplexArray, FloatArray

DEPARTURES: Mapping[str, float] = {
    "re": 0.03,
    "compliance": 2 * DRIFT["compliance"],
    "loss": BOX["loss"],
    "air": BOX["air"],
    "weather": 0.017,
}
"""Standard deviation, in the logarithm, of what may have changed since the driver was measured.

Re: 8 K of copper, another day. Compliance: twice what takes of one session show. Loss, air load
on the cone: as in a test box (`fit.given.prior_widths`). Weather: within
30 hPa of air pressure either way, which is as much of the air's stiffness.
All common practice, no source.
"""

_SEEN = ("re", "compliance", "loss", "air")
"""Departures seen in the impedance; the weather is seen in the volume alone."""

_WORDS = {
    "re": "coil resistance on another day",
    "compliance": "drift of the suspension since the fit",
    "loss": "loss of the suspension since the fit",
    "air": "air load of the cone in the box",
    "weather": "air pressure on another day",
}


def _renamed(source: str) -> str:
    """Tell random errors of the driver's fit from those of the box's curve."""
    return re.sub("^random:", "random:driver-", source)


class DriverInBox:
    """A driver in a box, for `fit.parts.one_port.follow`.

    Parameters: ln alpha, then ln wb and 1/QL (vented) or g over the driver's resonance (closed);
    then one number for each error source of the fit and for each departure. 1/QL and g are linear
    and may come out negative: a bench that cannot tell a leak must be able to say so.
    """

    def __init__(self, driver: SavedDriver, *, vented: bool) -> None:
        self.driver, self.vented = driver, vented
        self.own = 3 if vented else 2
        self.sources = list(driver.effects)
        self.effects = np.array([driver.effects[name] for name in self.sources]).reshape(
            len(self.sources), driver.theta.size
        )
        self.size = self.own + len(self.sources) + len(DEPARTURES)
        self.reference = 2 * math.pi * math.exp(driver.theta[1])

    @property
    def known(self) -> dict[str, str]:
        """Error source to its description, in the order of the last parameters."""
        of_fit = {_renamed(name): self.driver.sources.get(name, name) for name in self.sources}
        return of_fit | {f"random:since:{name}": _WORDS[name] for name in DEPARTURES}

    def state(self, theta: FloatArray) -> FloatArray:
        """Parameters of the driver (`fit.box.saved_driver`), freed of the errors found."""
        errors = theta[self.own : self.own + len(self.sources)]
        return np.asarray(self.driver.theta - errors @ self.effects)

    def departures(self, theta: FloatArray) -> dict[str, float]:
        """Logarithm of each change of the driver since the fit."""
        numbers = theta[self.own + len(self.sources) :]
        return {
            name: size * float(number)
            for (name, size), number in zip(DEPARTURES.items(), numbers, strict=True)
        }

    def volume(self, theta: FloatArray) -> float:
        """Effective net volume of the box [m3]."""
        weather = self.departures(theta)["weather"]
        return math.exp(float(self.state(theta)[4]) - float(theta[0]) + weather)

    def fb(self, theta: FloatArray) -> float:
        """Tuning of the vent [Hz]."""
        return math.exp(float(theta[1])) / (2 * math.pi)

    def resistance(self, theta: FloatArray) -> float:
        """Coil resistance in the box [ohm]."""
        return math.exp(float(self.state(theta)[0]) + self.departures(theta)["re"])

    def strength(self, theta: FloatArray) -> float:
        """Bl^2/Mms [ohm rad/s]."""
        return math.exp(float(self._electrical(theta)[STRENGTH]))

    def inertia(self, theta: FloatArray) -> float:
        """Moving mass over that in free air."""
        return math.exp(self.departures(theta)["air"])

    def mechanical(self, s: ComplexArray, theta: FloatArray) -> ComplexArray:
        """Mechanical impedance over Mms [1/s], shape (n,)."""
        force = self.driver.driver.force(s, self._electrical(theta))
        return np.asarray(self.strength(theta) * force**2 / self._modelled(s, theta).motion)

    def impedance(self, s: ComplexArray, theta: FloatArray) -> tuple[ComplexArray, ComplexArray]:
        """Impedance [ohm], shape (n,), and its derivatives, shape (size, n)."""
        modelled, first = self._modelled(s, theta), self.driver.driver.size
        rows = modelled.by_parameter(first + self.own + len(_SEEN))
        own, since = rows[first : first + self.own], rows[first + self.own :]
        by_errors = -(self.effects @ self.driver.by_theta(rows[:first]))
        by_name = dict(zip(_SEEN, since, strict=True))
        nothing = np.zeros_like(modelled.total)
        by_departures = [size * by_name.get(name, nothing) for name, size in DEPARTURES.items()]
        return modelled.total, np.concatenate([own, by_errors, np.stack(by_departures)])

    def _electrical(self, theta: FloatArray) -> FloatArray:
        """The driver's vector of `fit.driver.impedance`."""
        return self.driver.electrical(self.state(theta))

    def _modelled(self, s: ComplexArray, theta: FloatArray) -> Modelled:
        """The impedance by the driver's parameters, those of the box and `_SEEN`."""
        electrical, driver = self._electrical(theta), self.driver.driver
        first, since = driver.size, self.departures(theta)
        column = {name: first + self.own + k for k, name in enumerate(_SEEN)}
        size = math.exp(2 * electrical[RESONANCE] + theta[0])
        if self.vented:
            air, *slopes = enclosed_air.vented(size, s, math.exp(float(theta[1])), float(theta[2]))
        else:
            air, by_leak = enclosed_air.closed(size, s, self.reference * float(theta[1]))
            slopes = [by_leak * self.reference]
        inertia = math.exp(since["air"])
        condition = Condition(
            {kind: (since[kind], column[kind]) for kind in ("re", "compliance", "loss")},
            inertia,
            [(column["air"], inertia)],
            stiffness=air,
            by_stiffness=list(enumerate([air, *slopes], start=first)),
        )
        return driver.impedance(s, electrical, condition)
