"""A suspension that gives slowly, by one element."""

from __future__ import annotations

import math
from collections.abc import Mapping

import numpy as np

from fit.driver.elements.quantity import Quantity
from fit.driver.elements.sections import Section
from fit.driver.elements.unbounded import Delay, Logarithm
from fit.driver.laws.law import AT_FS, BORDER, NO_FAULT, Band, Law, Stiffness, Written, percent
from meas.curve import ComplexArray, FloatArray
from meas.errors import Finding


class Relaxing(Law):
    """A spring in series with a Kelvin-Voigt element: C0 [1 + give/(1 + s tau)].

    One term of the retardation spectrum of a viscoelastic solid (J. D. Ferry, Viscoelastic
    Properties of Polymers, 3rd ed. 1980, ch. 3). Far below 1/(2 pi tau) the compliance is C0
    (1 + give), far above it C0: an ordinary spring at both ends.
    """

    name = "relaxing"
    quantities: Mapping[str, Quantity] = {
        "give": Quantity("1", "slow give of the suspension", 1e-2, "%"),
        "f_give": Quantity("Hz", "where the suspension gives", 1, "Hz"),
    }
    maps = (Logarithm(), Delay())
    typical: FloatArray = np.log([0.2, 3.0])
    starts: tuple[FloatArray, ...] = (np.log([0.2, 5.0]), np.log([0.2, 0.5]))

    def stiffness(self, x: ComplexArray, internal: FloatArray) -> Stiffness:
        """Stiffness by ln give and the logarithm of tau times the angular resonance."""
        give, delay = np.exp(internal)
        slow = 1 / (1 + x * delay)
        compliance = 1 + give * slow
        k = 1 / compliance
        by_delay = give * x * delay * slow**2 * k**2
        return k, by_delay, np.array([-give * slow * k**2, by_delay])

    def plausible(self, internal: FloatArray) -> bool:
        """Tell whether it gives slowly: the corner of its stiffness, (1 + give)/tau, is low."""
        give, delay = np.exp(internal)
        return bool((1 + give) / delay < BORDER)

    def words(self, written: Written) -> str:
        """Amount by which it gives, and where, in words."""
        return f"suspension gives {written('give')} more below {written('f_give')}"

    def finding(self, written: Written, values: Mapping[str, float], share: float) -> Finding:
        """Say how much softer the suspension is far below its corner, and what that costs."""
        return Finding(
            "suspension-gives",
            f"The suspension gives slowly: far below {written('f_give')} its compliance is "
            f"higher by {written('give')} than far above. {AT_FS}. That takes {percent(share)} "
            f"of the mechanical loss at resonance.",
            ground=NO_FAULT,
        )

    def circuit(
        self, internal: FloatArray, spring: float, fs: float, band_hz: Band
    ) -> list[Section]:
        """The spring, and the slow element as an inductance bridged by a resistance."""
        found = self.reported(internal, fs)
        slow = found["give"][0] * spring
        return [(None, spring), (slow * 2 * math.pi * found["f_give"][0], slow)]
