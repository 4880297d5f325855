"""One take of a driver: what was measured, and the model of its mass or box."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from fit.driver import enclosed_air
from fit.driver.impedance import RESONANCE, AtFrequencies, Condition, Driver, Modelled
from fit.given.measured import AddedMass, MeasuredCurve, TestBox
from fit.given.stated_values import StatedValues
from meas.curve import ComplexArray, FloatArray


@dataclass(frozen=True, eq=False)
class PreparedTake:
    """A measured curve as the fit sees it.

    Attributes:
        s: Complex angular frequency [rad/s], shape (n,).
        data: Impedance or its magnitude [ohm], shape (n,).
        magnitude: |Z| that relative errors refer to [ohm], shape (n,).
        noise: Random standard uncertainty per component [ohm], shape (n,).
        errors: Relative effects of the common errors, like the data, shape (n, k).
        error_columns: Parameter of each of the k errors.
        departures: Departure from the reference state (``re``, ``compliance``, ``loss``, ``air``
            or ``leak``) to its parameter.
    """

    measured: MeasuredCurve
    s: ComplexArray
    data: ComplexArray | FloatArray
    magnitude: FloatArray
    noise: FloatArray
    errors: NDArray[Any]
    error_columns: list[int]
    departures: dict[str, int]

    @property
    def components(self) -> int:
        """Rows of residuals that each point has: real and imaginary part, or the magnitude."""
        return 2 if self.is_complex else 1

    @property
    def is_complex(self) -> bool:
        """Tell whether the phase is known."""
        return np.iscomplexobj(self.data)

    def factor(self, errors: FloatArray) -> NDArray[Any]:
        """Factor by which the common errors multiply the model, shape (n,) or (r, n).

        An exponential, so that a scale error is traded against the logarithms of the driver's
        parameters along a straight line.

        Args:
            errors: The errors in standard uncertainties, shape (k,) or (r, k).
        """
        return np.asarray(np.exp(errors @ self.errors.T))


@dataclass(frozen=True, eq=False)
class DriverModel(Driver):
    """A driver whose takes have masses and boxes, and where these stand in the vector of a problem.

    Attributes:
        mass_column: Logarithm of Mms; None where no take tells it.
        volume_column: Logarithm of Vas; None where no take tells it.
        stated: Stated values freed of their errors.
    """

    mass_column: int | None
    volume_column: int | None
    stated: StatedValues

    def of_take(self, take: PreparedTake, theta: FloatArray, known: AtFrequencies) -> Modelled:
        """Impedance of one take with its derivatives by the parameters that matter.

        Args:
            theta: Parameters, shape (p,), or (p, r, 1) for r of them at once; what is of shape
                (n,) then is of shape (r, n).
            known: `at` the frequencies of the take.
        """
        return self.impedance(take.s, theta, self._condition(take, theta), known)

    def _condition(self, take: PreparedTake, theta: FloatArray) -> Condition:
        """Difference of a take from the reference state."""
        condition = take.measured.condition
        departures = {kind: (theta[column], column) for kind, column in take.departures.items()}
        if isinstance(condition, AddedMass) and self.mass_column is not None:
            added, slope, column = self.stated.freed(condition.mass, theta)
            ratio = added * np.exp(-theta[self.mass_column])
            by_inertia = [(self.mass_column, -ratio), (column, ratio * slope)]
            return Condition(departures, 1.0 + ratio, by_inertia)
        if isinstance(condition, TestBox) and self.volume_column is not None:
            volume, slope, column = self.stated.freed(condition.volume, theta)
            w0 = np.exp(theta[RESONANCE])
            ratio = np.exp(theta[self.volume_column]) / volume
            leak, leak_column = departures["leak"]
            air, by_leak = enclosed_air.closed(w0 * w0 * ratio, take.s / w0, leak)
            change, air_column = departures["air"]
            inertia = np.exp(change)
            return Condition(
                departures,
                inertia,
                [(air_column, inertia)],
                stiffness=air,
                along=-by_leak * leak,
                by_stiffness=[
                    (self.volume_column, air),
                    (column, -air * slope),
                    (leak_column, by_leak),
                ],
            )
        return Condition(departures)
