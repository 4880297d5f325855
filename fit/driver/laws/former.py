"""A closed metal former: a shorted turn that brakes the motion."""

from __future__ import annotations

import math
from collections.abc import Mapping

import numpy as np

from fit.driver.elements.quantity import Quantity
from fit.driver.elements.unbounded import Delay, Logarithm
from fit.driver.laws.law import BORDER, Law, Stiffness, Written, percent
from meas.curve import ComplexArray, FloatArray
from meas.errors import Finding


class Former(Law):
    """A shorted turn of resistance Rf and inductance Lf that moves with the coil.

    Faraday's and Ohm's laws for a ring in the field of the gap, Bf its length times that field,
    that is coupled to the coil by the mutual inductance M. With tau = Lf/Rf and h = s tau/(1 + s
    tau) it brakes by the resistance Bf^2/Rf (1 - h). In the blocked coil it shows as R h with R =
    Rf (M/Lf)^2, a section of a ladder. It turns the force factor to Bl (1 - turn h) with turn =
    sqrt(R Bf^2/Rf)/Bl. Far below 1/(2 pi tau) it only brakes; far above, it neither brakes nor is
    seen beyond a resistance, and takes the share `turn` of the force.

    Its braking is written as dynamic stiffness over that of the spring, brake x/(1 + x delay).
    """

    name = "former"
    quantities: Mapping[str, Quantity] = {
        "brake": Quantity("1", "brake of the ring over the spring at resonance", 1e-2, "%"),
        "f_former": Quantity("Hz", "where the ring lets go", 1, "Hz"),
        "R_former": Quantity("ohm", "resistance of the ring as seen in the coil", 1, "ohm"),
    }
    maps = (Logarithm(), Delay(), Logarithm())
    typical: FloatArray = np.log([0.2, 0.05, 1.0])
    starts: tuple[FloatArray, ...] = (np.log([0.1, 0.02, 0.5]), np.log([0.1, 0.2, 0.5]))

    def stiffness(self, x: ComplexArray, internal: FloatArray) -> Stiffness:
        """Stiffness by ln brake, the logarithm of tau times the angular resonance, and ln R."""
        brake, delay, _ = np.exp(internal)
        slow = 1 / (1 + x * delay)
        k = brake * x * slow
        return k, k * slow, np.array([k, -k * x * delay * slow, np.zeros_like(k)])

    def plausible(self, internal: FloatArray) -> bool:
        """Tell whether its corner is that of a ring, not of a suspension that gives slowly."""
        return bool(np.exp(-internal[1]) >= BORDER)

    def words(self, written: Written) -> str:
        """Frequency where it brakes, in words."""
        return f"a ring brakes below {written('f_former')}"

    def finding(self, written: Written, values: Mapping[str, float], share: float) -> Finding:
        """Say where the ring lets go, and what it takes of loss and force.

        The share of the force is `turn` of the class: brake over the stiffness at resonance,
        which with R and Bl makes it, is the share of the loss times (1 + (fs/f_former)^2)/Qms.
        """
        takes = ""
        if "Res" in values:
            corner = 1 + (values["fs"] / values["f_former"]) ** 2
            turn = math.sqrt(share * corner * values["R_former"] / values["Res"])
            takes = (
                f" Far above, it stands in the coil as {written('R_former')} and takes "
                f"{100 * turn:.2g} % of the force: Bl is the one far below."
            )
        return Finding(
            "ring-brakes",
            f"A ring brakes: the mechanical loss lets go above {written('f_former')}, as that of a "
            "closed metal former does (a shorted turn in the gap, by its resistance and "
            f"inductance). It takes {percent(share)} of the loss at resonance.{takes} Where one is "
            "meant, that is no fault.",
            next_step="where none is meant, look for the slit of the former.",
        )
