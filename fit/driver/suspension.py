"""Laws of the suspension's stiffness along frequency.

A law gives the dynamic stiffness over that of an ordinary spring at x = s/(angular resonance),
up to a constant factor and a constant loss: `fit.driver.mechanics` turns both back into the
quantities of the trade, whose definitions hold for every law (stiffness and loss at resonance).
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Protocol

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
ComplexArray = NDArray[np.complex128]

BORDER = 1.5
"""Corner over resonance that parts a suspension that gives slowly from a ring that brakes.

Seen from the terminals both are one circuit, a spring beside a spring in series with a dashpot.
Rubber, foam and glue give within tenths of a second; the corner of a metal ring lies at a
kilohertz and above (common practice, no source).
"""

STEEPEST = 0.3
"""Greatest creep per decade: three decades above resonance the compliance is still positive."""


class Law(Protocol):
    """Part of the dynamic stiffness of a driver's moving system.

    Attributes:
        name: As used in the names of models.
        size: Number of internal parameters.
        typical: Internal parameters where data say nothing about them, shape (size,).
        starts: Internal parameters tried as starts.
    """

    name: str
    size: int
    typical: FloatArray
    starts: tuple[FloatArray, ...]

    def stiffness(
        self, x: ComplexArray, internal: FloatArray
    ) -> tuple[ComplexArray, ComplexArray, ComplexArray]:
        """Stiffness, its derivative by ln x, and those by the parameters, shape (size, n).

        With x of shape (r, n) and parameters of shape (size, r, 1) for r of them at once.
        """
        ...

    def reported(
        self, internal: FloatArray, resonance_hz: float
    ) -> Mapping[str, tuple[float, str]]:
        """The law's parameters under their own names: value and unit."""
        ...

    def internal(
        self, values: Mapping[str, float], resonance_hz: float
    ) -> tuple[FloatArray, list[dict[str, float]]]:
        """Internal parameters from reported ones, and the derivatives of each by these and fs.

        Raises:
            KeyError: If one of the law's parameters is missing.
        """
        ...

    def plausible(self, internal: FloatArray) -> bool:
        """Whether such parameters are what the law's name says."""
        ...


class Creep:
    """Compliance C0 [1 - creep log10(s/ws)]: softer by the share `creep` for each decade down.

    M. H. Knudsen, J. G. Jensen, J. Audio Eng. Soc. 41(1/2), 1993. Its imaginary part, 0.682
    creep C0 on the imaginary axis, is a loss inverse to frequency, as that of rubber and foam.
    The compliance grows without limit, but slowly, towards zero frequency, and reaches zero
    1/creep decades above resonance, where the law ends.
    """

    name = "creep"
    size = 1
    typical: FloatArray = np.array([-0.7])
    starts: tuple[FloatArray, ...] = (np.array([-1.6]), np.array([0.7]))

    def stiffness(
        self, x: ComplexArray, internal: FloatArray
    ) -> tuple[ComplexArray, ComplexArray, ComplexArray]:
        """By the logit of creep over `STEEPEST`."""
        share = _logistic(internal[0])
        creep = STEEPEST * share
        decades = np.log10(x)
        compliance: ComplexArray = 1 - creep * decades
        slope: ComplexArray = creep / np.log(10.0) / compliance**2
        by_creep = decades / compliance**2
        by_logit: ComplexArray = by_creep * (creep * (1 - share))
        return 1 / compliance, slope, by_logit[None]

    def reported(
        self, internal: FloatArray, resonance_hz: float
    ) -> Mapping[str, tuple[float, str]]:
        """Share of the compliance for each decade."""
        return {"creep": (STEEPEST * float(_logistic(internal[0])), "1")}

    def internal(
        self, values: Mapping[str, float], resonance_hz: float
    ) -> tuple[FloatArray, list[dict[str, float]]]:
        """The logit of creep over `STEEPEST`."""
        share = min(max(values["creep"] / STEEPEST, 1e-6), 1 - 1e-6)
        slope = 1 / (STEEPEST * share * (1 - share))
        return np.array([np.log(share / (1 - share))]), [{"creep": slope}]

    def plausible(self, internal: FloatArray) -> bool:
        """Always."""
        return True


class Relaxing:
    """A spring in series with a Kelvin-Voigt element: C0 [1 + give/(1 + s tau)].

    One term of the retardation spectrum of a viscoelastic solid (J. D. Ferry, Viscoelastic
    Properties of Polymers, 3rd ed. 1980, ch. 3). Far below 1/(2 pi tau) the compliance is C0
    (1 + give), far above it C0: an ordinary spring at both ends.
    """

    name = "relaxing"
    size = 2
    typical: FloatArray = np.log([0.2, 3.0])
    starts: tuple[FloatArray, ...] = (np.log([0.2, 5.0]), np.log([0.2, 0.5]))

    def stiffness(
        self, x: ComplexArray, internal: FloatArray
    ) -> tuple[ComplexArray, ComplexArray, ComplexArray]:
        """By ln give and by the logarithm of tau times the angular resonance."""
        give, delay = np.exp(internal)
        slow = 1 / (1 + x * delay)
        compliance = 1 + give * slow
        k = 1 / compliance
        by_delay = give * x * delay * slow**2 * k**2
        return k, by_delay, np.array([-give * slow * k**2, by_delay])

    def reported(
        self, internal: FloatArray, resonance_hz: float
    ) -> Mapping[str, tuple[float, str]]:
        """Share by which the compliance grows, and the frequency where it does."""
        give, delay = (float(value) for value in np.exp(internal))
        return {"give": (give, "1"), "f_give": (resonance_hz / delay, "Hz")}

    def internal(
        self, values: Mapping[str, float], resonance_hz: float
    ) -> tuple[FloatArray, list[dict[str, float]]]:
        """ln give and ln fs/f_give."""
        return size_and_delay(values, "give", "f_give", resonance_hz)

    def plausible(self, internal: FloatArray) -> bool:
        """Whether it gives slowly: the corner of its stiffness, (1 + give)/tau, is low."""
        give, delay = np.exp(internal)
        return bool((1 + give) / delay < BORDER)


def size_and_delay(
    values: Mapping[str, float], size: str, corner: str, resonance_hz: float
) -> tuple[FloatArray, list[dict[str, float]]]:
    """Logarithms of a size and of resonance over corner, with their derivatives by name."""
    found = np.log([values[size], resonance_hz / values[corner]])
    return found, [
        {size: 1 / values[size]},
        {"fs": 1 / resonance_hz, corner: -1 / values[corner]},
    ]


def _logistic(x: Any) -> Any:
    return 0.5 + 0.5 * np.tanh(0.5 * x)
