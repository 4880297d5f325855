"""Resistance and reactance by two power laws of their own."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

from fit.driver.coils.coil import NEGLIGIBLE, CoilModel, Shape
from fit.driver.elements.quantity import Quantity
from fit.driver.elements.unbounded import REFERENCE, Slopes, logistic, power_law
from meas.curve import ComplexArray, FloatArray

FLATTEST, STEEPEST = 0.3, 1.5
"""Least and greatest exponent; a flatter one would stand in for Re."""


class Empirical(CoilModel):
    """Resistance Kr w^Xr and reactance Ki w^Xi, each a power law of its own.

    J. R. Wright, J. Audio Eng. Soc. 38(10), 1990. Zero at w = 0 and unbounded above. It is
    stated on the imaginary axis only and unless Xr = Xi = n with Ki/Kr = tan(n pi/2), where it
    is the lossy inductance, no causal circuit does it: it follows a curve inside its band and
    says nothing beyond.
    """

    name = "empirical"
    words = "two power laws, within the band only"
    quantities: Mapping[str, Quantity] = {
        "Kr": Quantity("ohm", "coil resistance beyond Re at 1 rad/s", 1, "ohm"),
        "Xr": Quantity("1", "exponent of that resistance"),
        "Ki": Quantity("ohm", "coil reactance at 1 rad/s", 1, "ohm"),
        "Xi": Quantity("1", "exponent of that reactance"),
    }
    size = 4
    shapes: tuple[Shape, ...] = tuple(
        (Xr, Xi) for Xr in (0.45, 0.7, 1.0) for Xi in (0.6, 0.75, 0.9, 1.0)
    )
    typical: FloatArray = np.array([np.log(2.0), 0.0, np.log(2.0), 0.0])
    grows_from = "lossy"
    within_band_only = True

    def impedance(self, s: ComplexArray, internal: FloatArray) -> tuple[ComplexArray, ComplexArray]:
        """Coil impedance by ln Kr w^Xr and ln Ki w^Xi at `REFERENCE`, and the logit of X."""
        logarithm = np.log(s.imag / REFERENCE)
        parts, slopes = [], []
        for unit, (size, logit) in ((1.0, internal[:2]), (1j, internal[2:])):
            part = unit * np.exp(size + _exponent(logit) * logarithm)
            parts.append(part)
            share = logistic(logit)
            slopes += [part, part * logarithm * ((STEEPEST - FLATTEST) * share * (1 - share))]
        return parts[0] + parts[1], np.array(slopes)

    def basis(self, s: ComplexArray, shape: Shape) -> ComplexArray:
        """Columns (w/REFERENCE)^Xr and j (w/REFERENCE)^Xi, with shape = (Xr, Xi)."""
        w = s.imag / REFERENCE
        return np.stack([w ** shape[0] + 0j, 1j * w ** shape[1]], axis=1)

    def start(self, shape: Shape, coefficients: FloatArray) -> FloatArray:
        """ln Kr w^Xr, logit Xr, ln Ki w^Xi, logit Xi."""
        size = np.log(np.maximum(coefficients, REFERENCE * NEGLIGIBLE))
        share = (np.array(shape) - FLATTEST) / (STEEPEST - FLATTEST)
        return np.stack([size, np.log(share / (1 - share))], axis=1).ravel()

    def grown(
        self, simpler: FloatArray, sections: Sequence[tuple[float, float]] = ()
    ) -> list[FloatArray]:
        """The lossy inductance itself."""
        n = 0.5 + 0.5 * logistic(simpler[1])
        angle = n * np.pi / 2
        size = np.exp(simpler[0]) * np.array([np.cos(angle), np.sin(angle)])
        return [self.start((n, n), size)]

    def reported(self, internal: FloatArray) -> Mapping[str, tuple[float, str]]:
        """Kr, Xr, Ki, Xi, with w in rad/s and K in ohm."""
        found: dict[str, tuple[float, str]] = {}
        for letter, (size, logit) in (("r", internal[:2]), ("i", internal[2:])):
            X = float(_exponent(logit))
            found[f"K{letter}"] = (float(np.exp(size - X * np.log(REFERENCE))), "ohm")
            found[f"X{letter}"] = (X, "1")
        return found

    def internal(self, values: Mapping[str, float]) -> tuple[FloatArray, Slopes]:
        """ln Kr w^Xr, logit Xr, ln Ki w^Xi, logit Xi."""
        resistance, rows = power_law(values, "Kr", "Xr", FLATTEST, STEEPEST)
        reactance, more = power_law(values, "Ki", "Xi", FLATTEST, STEEPEST)
        return np.concatenate([resistance, reactance]), rows + more


def _exponent(logit: Any) -> Any:
    return FLATTEST + (STEEPEST - FLATTEST) * logistic(logit)
