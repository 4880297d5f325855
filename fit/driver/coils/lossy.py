"""The lossy inductance, a power law of frequency."""

from __future__ import annotations

import math
from collections.abc import Mapping

import numpy as np

from fit.driver.coils.coil import NEGLIGIBLE, CoilModel, Shape
from fit.driver.elements.quantity import Quantity
from fit.driver.elements.sections import STEP, Section, highest_corner, lowest_step
from fit.driver.elements.unbounded import REFERENCE, Slopes, logistic, power_law
from meas.curve import ComplexArray, FloatArray


class Lossy(CoilModel):
    """A lossy inductance, Zc = K s^n with 0.5 < n < 1 and s in rad/s.

    Zero at s = 0; the phase is n times 90 degrees throughout. W. M. Leach, J. Audio Eng. Soc.
    50(6), 2002; n = 1/2 is the limit of diffusion into solid iron (J. Vanderkooy, J. Audio Eng.
    Soc. 37(3), 1989), n = 1 an inductance.
    """

    name = "lossy"
    words = "lossy inductance"
    quantities: Mapping[str, Quantity] = {
        "K": Quantity("ohm", "coil impedance at 1 rad/s", 1, "ohm"),
        "n": Quantity("1", "exponent of the coil impedance"),
    }
    size = 2
    shapes: tuple[Shape, ...] = tuple(
        (n,) for n in (0.52, 0.56, 0.6, 0.65, 0.7, 0.75, 0.8, 0.85, 0.9, 0.95)
    )
    typical: FloatArray = np.array([np.log(3.0), 0.0])

    def impedance(self, s: ComplexArray, internal: FloatArray) -> tuple[ComplexArray, ComplexArray]:
        """Impedance and derivatives by ln |Zc(REFERENCE)| and by the logit of 2 n - 1."""
        share = logistic(internal[1])
        n = 0.5 + 0.5 * share
        # One logarithm instead of complex powers: s is +j omega on the whole imaginary axis.
        logarithm = np.log(s / REFERENCE)
        z = np.exp(internal[0] + n * logarithm)
        return z, np.array([z, z * logarithm * (0.5 * share * (1 - share))])

    def basis(self, s: ComplexArray, shape: Shape) -> ComplexArray:
        """One column, (s/REFERENCE)^shape, with shape = (n,)."""
        return ((s / REFERENCE) ** shape[0])[:, None]

    def start(self, shape: Shape, coefficients: FloatArray) -> FloatArray:
        """ln |Zc(REFERENCE)| and the logit of 2 n - 1."""
        share = 2 * shape[0] - 1
        size = max(float(coefficients[0]), REFERENCE * NEGLIGIBLE)
        return np.array([np.log(size), np.log(share / (1 - share))])

    def reported(self, internal: FloatArray) -> Mapping[str, tuple[float, str]]:
        """K [ohm at 1 rad/s] and n."""
        n = 0.5 + 0.5 * float(logistic(internal[1]))
        return {"K": (float(np.exp(internal[0])) * REFERENCE**-n, "ohm"), "n": (n, "1")}

    def internal(self, values: Mapping[str, float]) -> tuple[FloatArray, Slopes]:
        """ln |Zc(REFERENCE)| and the logit of 2 n - 1."""
        return power_law(values, "K", "n", 0.5, 1.0)

    def circuit(self, internal: FloatArray, band_hz: tuple[float, float]) -> list[Section]:
        """K s^n as a chain of resistance-inductance pairs.

        s^n = sin(n pi)/pi * integral of w^(n-1) s/(s + w) dw over w > 0 (e.g. K. B. Oldham,
        J. Spanier, The Fractional Calculus, 1974), by the trapezoidal rule in ln w; each term is a
        resistance parallel to an inductance with corner w. Terms below the band act as
        resistances, terms above as inductances, both geometric sums.
        """
        K, n = (value for value, _ in self.reported(internal).values())
        scale = K * math.sin(n * math.pi) / math.pi * STEP
        first, last = lowest_step(band_hz[0]), math.ceil(highest_corner(band_hz[1]) / STEP)
        pairs: list[Section] = []
        for k in range(first, last + 1):
            corner = math.exp(k * STEP)
            resistance = scale * corner**n
            pairs.append((resistance, resistance / corner))
        below = scale * math.exp((first - 1) * STEP * n) / (1 - math.exp(-STEP * n))
        above = scale * math.exp((last + 1) * STEP * (n - 1)) / (1 - math.exp(STEP * (n - 1)))
        return [(below, None), *pairs, (None, above)]
