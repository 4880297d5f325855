"""A closed metal former: a shorted turn that brakes the motion."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
from numpy.typing import NDArray

from fit.suspension import BORDER, size_and_delay

FloatArray = NDArray[np.float64]
ComplexArray = NDArray[np.complex128]


class Former:
    """Mechanical resistance Bf^2/(Rf + s Lf) of a shorted turn in the field.

    Faraday's and Ohm's laws for a ring of resistance Rf and inductance Lf that moves with the
    coil: a constant resistance far below Rf/(2 pi Lf), nothing far above. What the ring does to
    the blocked coil, as secondary of a transformer, is a section of a ladder (`fit.voicecoil`).
    Written as dynamic stiffness over that of the spring, brake x/(1 + x delay).
    """

    name = "former"
    size = 2
    typical: FloatArray = np.log([0.2, 0.1])
    starts: tuple[FloatArray, ...] = (np.log([0.2, 0.05]), np.log([0.2, 0.5]))

    def stiffness(
        self, x: ComplexArray, internal: FloatArray
    ) -> tuple[ComplexArray, ComplexArray, ComplexArray]:
        """By ln brake and by the logarithm of Lf/Rf times the angular resonance."""
        brake, delay = np.exp(internal)
        slow = 1 / (1 + x * delay)
        k = brake * x * slow
        return k, k * slow, np.stack([k, -k * x * delay * slow])

    def reported(
        self, internal: FloatArray, resonance_hz: float
    ) -> Mapping[str, tuple[float, str]]:
        """Share of the spring's reaction at resonance, and the corner of the ring."""
        brake, delay = (float(value) for value in np.exp(internal))
        return {"brake": (brake, "1"), "f_former": (resonance_hz / delay, "Hz")}

    def internal(
        self, values: Mapping[str, float], resonance_hz: float
    ) -> tuple[FloatArray, list[dict[str, float]]]:
        """ln brake and ln fs/f_former."""
        return size_and_delay(values, "brake", "f_former", resonance_hz)

    def plausible(self, internal: FloatArray) -> bool:
        """Whether its corner is that of a ring, not of a suspension that gives slowly."""
        return bool(np.exp(-internal[1]) >= BORDER)
