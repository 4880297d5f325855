"""Electrical impedance of a driver in its finished box, with its Jacobian.

Z = Re + Zc + a s/D(s), D = m s^2 + l s + w0^2 (k(s/w0) + alpha T(s)), everything divided by the
moving mass in free air: a = Bl^2/Mms, l the loss, k the dynamic stiffness of the suspension
(`fit.driver.mechanics`; 1 for a spring), alpha = Vas/Vb that of the box's air over it at w0. A
closed former turns Bl and stands beside the coil (`fit.driver.former`).
T = s^2/(s^2 + s wb/QL + wb^2) for a vented box with leakage Q, and s/(s + g) for a closed one that
leaks at the rate g; QL stands for all losses of the box, since absorption and a rough vent look
much the same (R. H. Small, J. Audio Eng. Soc. 20(10), 1972 and 21(5), 1973).

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

_WORDS = {
    "re": "coil resistance on another day",
    "compliance": "drift of the suspension since the fit",
    "loss": "loss of the suspension since the fit",
    "air": "air load of the cone in the box",
    "weather": "air pressure on another day",
}


def _renamed(source: str) -> str:
    """Random parts of the driver's fit are not those of the box's curve."""
    return re.sub("^random:", "random:driver-", source)


class BoxedDriver:
    """A driver in a box, for `fit.parts.one_port.follow`.

    Parameters: ln alpha, then ln wb and 1/QL (vented) or g over the driver's resonance (closed);
    then one number for each error source of the fit and for each departure. 1/QL and g are linear
    and may come out negative: a bench that cannot tell a leak must be able to say so.

    Args:
        driver: Out of its fit.
        vented: Whether the box has a vent.
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
        told = {_renamed(name): self.driver.sources.get(name, name) for name in self.sources}
        return told | {f"random:since:{name}": _WORDS[name] for name in DEPARTURES}

    def state(self, theta: FloatArray) -> FloatArray:
        """The driver's vector (`fit.box.saved_driver`), freed of the errors found."""
        errors = theta[self.own : self.own + len(self.sources)]
        return np.asarray(self.driver.theta - errors @ self.effects)

    def departures(self, theta: FloatArray) -> dict[str, float]:
        """Departure of each kind since the fit, in the logarithm."""
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

    def mechanical(self, s: ComplexArray, theta: FloatArray) -> ComplexArray:
        """Mechanical impedance over Mms, D(s)/s [1/s], shape (n,)."""
        return np.asarray(self._parts(s, theta)[0] / s)

    def resistance(self, theta: FloatArray) -> float:
        """Coil resistance in the box [ohm]."""
        return math.exp(float(self.state(theta)[0]) + self.departures(theta)["re"])

    def strength(self, theta: FloatArray) -> float:
        """a = Bl^2/Mms [ohm/s]: Re w0/Qes of the fit."""
        p = self.state(theta)
        return 2 * math.pi * math.exp(float(p[0] + p[1] - p[3]))

    def inertia(self, theta: FloatArray) -> float:
        """Moving mass over that in free air."""
        return math.exp(self.departures(theta)["air"])

    def impedance(self, s: ComplexArray, theta: FloatArray) -> tuple[ComplexArray, ComplexArray]:
        """Impedance [ohm], shape (n,), and its derivatives, shape (size, n)."""
        p = self.state(theta)
        D, by = self._parts(s, theta)
        coil, coil_slopes = self.driver.coil.impedance(s, self.driver.of_coil(p))
        _, along, by_laws = self.driver.stiffness(s, p)
        spring = self._spring(theta)
        series, force, by_series, by_force = self.driver.ring(s, p)
        unturned = self.strength(theta) * s / D
        moving = force**2 * unturned
        turned = by_series + 2 * force * unturned * by_force  # by ln s/ws, ln Qes/Re, laws
        Re = np.full(s.shape, self.resistance(theta), dtype=np.complex128)
        down = -moving / D  # derivative by D
        # By ln Re, ln fs, ln Qms, ln Qes, ln Vas, ln Mms and the parameters of coil and laws.
        state = np.stack(
            [
                Re + moving - turned[1],
                moving
                + down * (2 * by["stiffness"] - spring * along + by["loss"] + 2 * by["box"])
                - turned[0],
                -down * by["loss"],
                -moving + turned[1],
                np.zeros_like(moving),
                np.zeros_like(moving),
                *coil_slopes,
                *(down * spring * by_laws + turned[2:]),
            ]
        )
        since = {
            "re": Re,
            "compliance": -down * by["stiffness"],
            "loss": down * by["loss"],
            "air": down * by["inertia"],
            "weather": np.zeros_like(moving),
        }
        own = [down * by["box"], *(down * by[name] for name in self._tuning_names)]
        slopes = np.concatenate(
            [
                np.stack(own),
                -(self.effects @ state),
                np.stack([size * since[name] for name, size in DEPARTURES.items()]),
            ]
        )
        return Re + coil + series + moving, slopes

    def _spring(self, theta: FloatArray) -> float:
        """Stiffness of the suspension at resonance, over Mms [1/s2]."""
        w0 = 2 * math.pi * math.exp(float(self.state(theta)[1]))
        return w0**2 * math.exp(-self.departures(theta)["compliance"])

    @property
    def _tuning_names(self) -> tuple[str, ...]:
        return ("tuning", "leak") if self.vented else ("leak",)

    def _parts(
        self, s: ComplexArray, theta: FloatArray
    ) -> tuple[ComplexArray, dict[str, ComplexArray]]:
        """D(s), its terms, and its derivatives by ln wb and by the leak."""
        p, since = self.state(theta), self.departures(theta)
        w0 = 2 * math.pi * math.exp(float(p[1]))
        stiff = w0**2 * math.exp(float(theta[0]))
        by = {
            "inertia": math.exp(since["air"]) * s * s,
            "loss": w0 / math.exp(float(p[2])) * math.exp(since["loss"]) * s,
            "stiffness": self._spring(theta) * self.driver.stiffness(s, p)[0],
        }
        if self.vented:
            wb, q = math.exp(float(theta[1])), float(theta[2])
            below = s * s + s * wb * q + wb**2
            by["box"] = stiff * s * s / below
            by["tuning"] = -by["box"] / below * (2 * wb**2 + s * wb * q)
            by["leak"] = -by["box"] / below * s * wb
        else:
            below = s + self.reference * float(theta[1])
            by["box"] = stiff * s / below
            by["leak"] = -by["box"] / below * self.reference
        D = by["inertia"] + by["loss"] + by["stiffness"] + by["box"]
        return D, by
