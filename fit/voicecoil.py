"""Voice-coil models: what the coil adds to its resistance.

Each model turns its own vector of unbounded numbers (logarithms of positive quantities, a
logistic map for a bounded one) into an impedance with its derivatives. For fixed `shapes` a
model is linear in non-negative coefficients, from which starting values are found.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
ComplexArray = NDArray[np.complex128]

REFERENCE = 2 * np.pi * 1000.0
"""Angular frequency [rad/s] at which a power law is anchored inside the fit."""

_NEGLIGIBLE = 1e-9
"""Inductance [H] that stands for none where a logarithm is needed."""


def _logistic(x: float) -> float:
    """1/(1 + exp(-x)) without overflow."""
    return float(0.5 + 0.5 * np.tanh(0.5 * x))


class CoilModel(Protocol):
    """A voice coil as part of the electrical impedance.

    Attributes:
        name: As given to `fit_driver` and reported.
        size: Number of internal parameters.
        shapes: Values of the parameters that do not enter linearly, tried as starts.
        typical: Internal parameters of an ordinary coil, where data say nothing about one.
    """

    name: str
    size: int
    shapes: tuple[float, ...]
    typical: FloatArray

    def impedance(self, s: ComplexArray, internal: FloatArray) -> tuple[ComplexArray, ComplexArray]:
        """Impedance [ohm], shape (n,), and its derivatives, shape (size, n), at s [rad/s]."""
        ...

    def basis(self, s: ComplexArray, shape: float) -> ComplexArray:
        """Columns in which the impedance is linear for a given shape, shape (n, k)."""
        ...

    def start(self, shape: float, coefficients: FloatArray) -> FloatArray:
        """Internal parameters from a shape and non-negative coefficients, shape (size,)."""
        ...

    def reported(self, internal: FloatArray) -> Mapping[str, tuple[float, str]]:
        """The model's parameters under their own names: value and unit."""
        ...


class Plain:
    """A lossless inductance, Zc = s Le.

    Zero at s = 0, grows without limit as s. Right for a coil without iron; below the corner of
    eddy currents for others (A. N. Thiele, J. Audio Eng. Soc. 19(5), 1971).
    """

    name = "plain"
    size = 1
    shapes: tuple[float, ...] = (0.0,)
    typical: FloatArray = np.log([0.3e-3])

    def impedance(self, s: ComplexArray, internal: FloatArray) -> tuple[ComplexArray, ComplexArray]:
        """Impedance and derivative by ln Le."""
        z = s * np.exp(internal[0])
        return z, z[None, :]

    def basis(self, s: ComplexArray, shape: float) -> ComplexArray:
        """One column, s."""
        return s[:, None]

    def start(self, shape: float, coefficients: FloatArray) -> FloatArray:
        """ln Le."""
        return np.asarray(np.log(np.maximum(coefficients, _NEGLIGIBLE)))

    def reported(self, internal: FloatArray) -> Mapping[str, tuple[float, str]]:
        """Nothing beyond Le, which every model reports."""
        return {}


class Ladder:
    """Two inductors, one of them bridged by eddy losses: Zc = s L1 + (s L2 parallel R2).

    Zero at s = 0 with inductance L1 + L2; at high s, s L1 + R2. Equivalent circuit of an induced
    current in the iron (common practice; the first two sections of the ladder in J. Vanderkooy,
    J. Audio Eng. Soc. 37(3), 1989).
    """

    name = "ladder"
    size = 3
    shapes: tuple[float, ...] = tuple(float(2 * np.pi * f) for f in np.geomspace(60.0, 30e3, 13))
    typical: FloatArray = np.log([0.2e-3, 0.3e-3, 5.0])

    def impedance(self, s: ComplexArray, internal: FloatArray) -> tuple[ComplexArray, ComplexArray]:
        """Impedance and derivatives by ln L1, ln L2, ln R2."""
        L1, L2, R2 = np.exp(internal)
        total = s * L2 + R2
        first = s * L1
        second = s * L2 * R2 / total
        return first + second, np.stack([first, second * R2 / total, second * s * L2 / total])

    def basis(self, s: ComplexArray, shape: float) -> ComplexArray:
        """Columns s and s/(1 + s/shape), with shape = R2/L2 [rad/s]."""
        return np.stack([s, s / (1 + s / shape)], axis=1)

    def start(self, shape: float, coefficients: FloatArray) -> FloatArray:
        """ln L1, ln L2, ln R2."""
        L1, L2 = np.maximum(coefficients, 1e3 * _NEGLIGIBLE)
        return np.asarray(np.log(np.array([L1, L2, L2 * shape])))

    def reported(self, internal: FloatArray) -> Mapping[str, tuple[float, str]]:
        """L1, L2, R2."""
        L1, L2, R2 = (float(value) for value in np.exp(internal))
        return {"L1": (L1, "H"), "L2": (L2, "H"), "R2": (R2, "ohm")}


class Lossy:
    """A lossy inductance, Zc = K s^n with 0.5 < n < 1 and s in rad/s.

    Zero at s = 0; the phase is n times 90 degrees throughout. W. M. Leach, J. Audio Eng. Soc.
    50(6), 2002; n = 1/2 is the limit of diffusion into solid iron (J. Vanderkooy, J. Audio Eng.
    Soc. 37(3), 1989), n = 1 an inductance.
    """

    name = "lossy"
    size = 2
    shapes: tuple[float, ...] = (0.52, 0.56, 0.6, 0.65, 0.7, 0.75, 0.8, 0.85, 0.9, 0.95)
    typical: FloatArray = np.array([np.log(3.0), 0.0])

    def impedance(self, s: ComplexArray, internal: FloatArray) -> tuple[ComplexArray, ComplexArray]:
        """Impedance and derivatives by ln |Zc(REFERENCE)| and by the logit of 2 n - 1."""
        share = _logistic(internal[1])
        n = 0.5 + 0.5 * share
        # One logarithm instead of complex powers: s is +j omega on the whole imaginary axis.
        logarithm = np.log(s / REFERENCE)
        z = np.exp(internal[0] + n * logarithm)
        return z, np.stack([z, z * logarithm * (0.5 * share * (1 - share))])

    def basis(self, s: ComplexArray, shape: float) -> ComplexArray:
        """One column, (s/REFERENCE)^shape, with shape = n."""
        return ((s / REFERENCE) ** shape)[:, None]

    def start(self, shape: float, coefficients: FloatArray) -> FloatArray:
        """ln |Zc(REFERENCE)| and the logit of 2 n - 1."""
        share = 2 * shape - 1
        size = max(float(coefficients[0]), REFERENCE * _NEGLIGIBLE)
        return np.array([np.log(size), np.log(share / (1 - share))])

    def reported(self, internal: FloatArray) -> Mapping[str, tuple[float, str]]:
        """K [ohm at 1 rad/s] and n."""
        n = 0.5 + 0.5 * _logistic(internal[1])
        return {"K": (float(np.exp(internal[0])) * REFERENCE**-n, "ohm"), "n": (n, "1")}


MODELS: tuple[CoilModel, ...] = (Plain(), Lossy(), Ladder())
"""Every coil model, simplest first."""
