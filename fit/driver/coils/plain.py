"""The lossless inductance."""

from __future__ import annotations

import math
from collections.abc import Mapping

import numpy as np

from fit.driver.coils.coil import NEGLIGIBLE, CoilModel, Shape
from fit.driver.elements.quantity import Quantity
from fit.driver.elements.sections import Section
from fit.driver.elements.unbounded import Slopes, logarithms
from meas.curve import ComplexArray, FloatArray


class Plain(CoilModel):
    """A lossless inductance, Zc = s Le.

    Zero at s = 0, grows without limit as s. Right for a coil without iron; below the corner of
    eddy currents for others (A. N. Thiele, J. Audio Eng. Soc. 19(5), 1971).

    0.4 mH at 1 kHz:

    >>> coil = Plain()
    >>> z, slopes = coil.impedance(np.array([2j * np.pi * 1000]), np.log([0.4e-3]))
    >>> print(f"{z[0]:.3f} ohm")
    0.000+2.513j ohm
    """

    name = "plain"
    words = "lossless inductance"
    quantities: Mapping[str, Quantity] = {}
    size = 1
    shapes: tuple[Shape, ...] = ((),)
    typical: FloatArray = np.log([0.3e-3])

    def impedance(self, s: ComplexArray, internal: FloatArray) -> tuple[ComplexArray, ComplexArray]:
        """Impedance and derivative by ln Le."""
        z = s * np.exp(internal[0])
        return z, z[None]

    def basis(self, s: ComplexArray, shape: Shape) -> ComplexArray:
        """One column, s."""
        return s[:, None]

    def start(self, shape: Shape, coefficients: FloatArray) -> FloatArray:
        """ln Le."""
        return np.asarray(np.log(np.maximum(coefficients, NEGLIGIBLE)))

    def reported(self, internal: FloatArray) -> Mapping[str, tuple[float, str]]:
        """Report nothing beyond Le, which every model reports."""
        return {}

    def internal(self, values: Mapping[str, float]) -> tuple[FloatArray, Slopes]:
        """ln Le; ln L1 where Le is that of coil and ring together."""
        return logarithms(values, ["L1" if "L1" in values else "Le"])

    def circuit(self, internal: FloatArray, band_hz: tuple[float, float]) -> list[Section]:
        """The inductance."""
        return [(None, math.exp(internal[0]))]
