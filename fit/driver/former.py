"""A closed metal former: a shorted turn that brakes the motion."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
from numpy.typing import NDArray

from fit.driver.suspension import BORDER, size_and_delay

FloatArray = NDArray[np.float64]
ComplexArray = NDArray[np.complex128]


class Former:
    """A shorted turn of resistance Rf and inductance Lf that moves with the coil.

    Faraday's and Ohm's laws for a ring in the field of the gap, Bf its length times that field,
    that is coupled to the coil by the mutual inductance M. With tau = Lf/Rf and h = s tau/(1 + s
    tau) it brakes by the resistance Bf^2/Rf (1 - h), shows in the blocked coil as R h with R =
    Rf (M/Lf)^2, a section of a ladder, and turns the force factor to Bl (1 - turn h) with turn =
    sqrt(R Bf^2/Rf)/Bl. Far below 1/(2 pi tau) it only brakes; far above, it neither brakes nor is
    seen beyond a resistance, and takes the share `turn` of the force.

    Its braking is written as dynamic stiffness over that of the spring, brake x/(1 + x delay).
    """

    name = "former"
    size = 3
    typical: FloatArray = np.log([0.2, 0.05, 1.0])
    starts: tuple[FloatArray, ...] = (np.log([0.1, 0.02, 0.5]), np.log([0.1, 0.2, 0.5]))

    def stiffness(
        self, x: ComplexArray, internal: FloatArray
    ) -> tuple[ComplexArray, ComplexArray, ComplexArray]:
        """By ln brake, by the logarithm of tau times the angular resonance, and by ln R."""
        brake, delay, _ = np.exp(internal)
        slow = 1 / (1 + x * delay)
        k = brake * x * slow
        return k, k * slow, np.array([k, -k * x * delay * slow, np.zeros_like(k)])

    def reported(
        self, internal: FloatArray, resonance_hz: float
    ) -> Mapping[str, tuple[float, str]]:
        """Share of the spring's reaction at resonance, corner of the ring, its R in the coil."""
        brake, delay, R = (float(value) for value in np.exp(internal))
        return {
            "brake": (brake, "1"),
            "f_former": (resonance_hz / delay, "Hz"),
            "R_former": (R, "ohm"),
        }

    def internal(
        self, values: Mapping[str, float], resonance_hz: float
    ) -> tuple[FloatArray, list[dict[str, float]]]:
        """ln brake, ln fs/f_former and ln R_former."""
        found, slopes = size_and_delay(values, "brake", "f_former", resonance_hz)
        R = values["R_former"]
        return np.append(found, np.log(R)), [*slopes, {"R_former": 1 / R}]

    def plausible(self, internal: FloatArray) -> bool:
        """Whether its corner is that of a ring, not of a suspension that gives slowly."""
        return bool(np.exp(-internal[1]) >= BORDER)
