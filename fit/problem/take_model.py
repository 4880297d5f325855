"""One take of a driver as modelled: its impedance with the derivatives by all that matters."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from fit.driver.mechanics import Mechanics
from fit.driver.motional import motional
from fit.driver.voicecoil import CoilModel
from fit.given.measured import AddedMass, MeasuredCurve, TestBox
from fit.given.stated_values import StatedValues

FloatArray = NDArray[np.float64]
ComplexArray = NDArray[np.complex128]


@dataclass(frozen=True, eq=False)
class Take:
    """A measured curve as the fit sees it.

    Attributes:
        measured: The curve and its condition.
        s: Complex angular frequency [rad/s], shape (n,).
        data: Impedance or its magnitude [ohm], shape (n,).
        magnitude: |Z| that relative errors refer to [ohm], shape (n,).
        noise: Random standard uncertainty per component [ohm], shape (n,).
        errors: Relative effects of the common errors, like the data, shape (n, k).
        error_columns: Parameter of each of the k errors.
        departures: Kind of departure from the reference state (``re``, ``compliance``, ``loss``,
            ``air``, ``leak``) to its parameter.
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
        """Whether the phase is known."""
        return np.iscomplexobj(self.data)

    def factor(self, errors: FloatArray) -> NDArray[Any]:
        """What the common errors multiply the model by, shape (n,) or (r, n).

        An exponential, so that a scale error is traded against the logarithms of the driver's
        parameters along a straight line.

        Args:
            errors: In standard uncertainties, shape (k,) or (r, k).
        """
        return np.asarray(np.exp(errors @ self.errors.T))


@dataclass(frozen=True, eq=False)
class Modelled:
    """A take as modelled.

    Attributes:
        total: Impedance [ohm], shape (n,), or (r, n) of r vectors of parameters.
        motion: Its motional part [ohm], shape (n,).
        slopes: Derivatives of the impedance, shape (q, n).
        columns: The parameter that each of the q derivatives belongs to.
    """

    total: ComplexArray
    motion: ComplexArray
    slopes: ComplexArray
    columns: list[int]


@dataclass(frozen=True, eq=False)
class Reference:
    """What a driver is in every take, at the frequencies of one: values and derivatives.

    Attributes:
        coil: Impedance of the coil and derivatives by its parameters [ohm].
        spring: As `Mechanics.stiffness`.
        braking: As `Mechanics.braking`; None without a former.
        ring: As `Mechanics.ring`; None without a former.
    """

    coil: tuple[ComplexArray, ComplexArray]
    spring: tuple[ComplexArray, ComplexArray, ComplexArray]
    braking: tuple[ComplexArray, ComplexArray, ComplexArray] | None
    ring: tuple[ComplexArray, ComplexArray, ComplexArray, ComplexArray] | None


@dataclass(frozen=True, eq=False)
class DriverModel:
    """The model of a driver, and where its parameters stand in the vector of a problem.

    The first four are the logarithms of Re, strength Bl^2/Mms, angular resonance and loss
    Rms/Mms of the reference state.

    Attributes:
        coil: Voice-coil model.
        mechanics: Laws of suspension and former.
        coil_columns: Parameters of the coil.
        law_columns: Parameters of the laws.
        mass_column: Logarithm of Mms; None where no take tells it.
        volume_column: Logarithm of Vas; None where no take tells it.
        stated: Stated values freed of their errors.
    """

    coil: CoilModel
    mechanics: Mechanics
    coil_columns: Sequence[int]
    law_columns: Sequence[int]
    mass_column: int | None
    volume_column: int | None
    stated: StatedValues

    @property
    def name(self) -> str:
        """As reported, such as ``ladder+creep``."""
        return self.coil.name + self.mechanics.name

    @property
    def columns(self) -> list[int]:
        """Parameters of coil and laws."""
        return [*self.coil_columns, *self.law_columns]

    @property
    def typical(self) -> FloatArray:
        """Values of `columns` where the data say nothing about them."""
        return np.concatenate([self.coil.typical, self.mechanics.typical])

    def blocked(self, s: ComplexArray, theta: FloatArray) -> ComplexArray:
        """Impedance of the reference state without motion [ohm], shape (n,)."""
        coil, _ = self.coil.impedance(s, theta[self.coil_columns])
        blocked = math.exp(theta[0]) + coil
        if self.mechanics.former is None:
            return np.asarray(blocked)
        return np.asarray(blocked + self._ring(s, theta)[0])

    def _ring(
        self, s: ComplexArray, theta: FloatArray
    ) -> tuple[ComplexArray, ComplexArray, ComplexArray, ComplexArray]:
        w0 = np.exp(theta[2])
        return self.mechanics.ring(s / w0, theta[self.law_columns], w0 * np.exp(-theta[1]))

    def motion(
        self,
        s: ComplexArray,
        theta: FloatArray,
        *,
        inertia: float | FloatArray = 1.0,
        stiffer: float | FloatArray = 0.0,
    ) -> ComplexArray:
        """Motional impedance of the reference state, perhaps loaded [ohm].

        Args:
            s: Complex angular frequency [rad/s], shape (n,).
            theta: Parameters, shape (p,).
            inertia: Moving mass over Mms, shape () or (k, 1).
            stiffer: Stiffness of a box over that of the suspension, shape () or (k, 1).

        Returns:
            Shape (n,) or (k, n).
        """
        w0 = math.exp(theta[2])
        k, _, _ = self.mechanics.stiffness(s / w0, theta[self.law_columns])
        mechanical = s * (inertia * s + math.exp(theta[3])) + w0 * w0 * (k + stiffer)
        moving = math.exp(theta[1]) * s / mechanical
        if self.mechanics.former is not None:
            moving = moving * self._ring(s, theta)[1] ** 2
        return np.asarray(moving)

    def reference(self, s: ComplexArray, theta: FloatArray) -> Reference:
        """What takes of the same frequencies have in common.

        Args:
            s: Complex angular frequency [rad/s], shape (n,).
            theta: Parameters, shape (p,) or (p, r, 1).
        """
        x, laws = s / np.exp(theta[2]), theta[self.law_columns]
        closed = self.mechanics.former is not None
        return Reference(
            self.coil.impedance(s, theta[self.coil_columns]),
            self.mechanics.stiffness(x, laws),
            self.mechanics.braking(x, laws) if closed else None,
            self._ring(s, theta) if closed else None,
        )

    def of_take(self, take: Take, theta: FloatArray, reference: Reference) -> Modelled:
        """Impedance of one take with its derivatives by the parameters that matter.

        Args:
            take: The take.
            theta: Parameters, shape (p,), or (p, r, 1) for r of them at once; what is of shape
                (n,) then is of shape (r, n).
            reference: `reference` at the frequencies of the take.
        """
        s, condition, departures = take.s, take.measured.condition, take.departures
        departure = {kind: theta[column] for kind, column in departures.items()}
        zc, dzc = reference.coil
        re = np.exp(theta[0] + departure.get("re", 0.0))
        w0 = np.exp(theta[2])
        loss = np.exp(theta[3] + departure.get("loss", 0.0))
        spring = w0 * w0 * np.exp(-departure.get("compliance", 0.0))
        x = s / w0
        k, along, by_law = reference.spring
        stiffness, along = np.asarray(spring * k), np.asarray(spring * along)
        softened, by_law = stiffness, spring * by_law
        if reference.braking is not None:
            # A spring that softens leaves the ring as it is.
            brake, brake_along, brake_by_law = reference.braking
            kept = w0 * w0 - spring
            softened = softened - spring * brake
            stiffness, along = stiffness + kept * brake, along + kept * brake_along
            by_law = by_law + kept * brake_by_law
        inertia: Any = 1.0
        heavier: list[tuple[int, Any]] = []  # parameter, derivative of the inertia
        stiffer: list[tuple[int, ComplexArray]] = []  # parameter, derivative of the stiffness
        if "compliance" in departures:
            stiffer.append((departures["compliance"], -softened))
        if isinstance(condition, AddedMass) and self.mass_column is not None:
            added, slope, column = self.stated.freed(condition.mass, theta)
            ratio = added * np.exp(-theta[self.mass_column])
            inertia = 1.0 + ratio
            heavier += [(self.mass_column, -ratio), (column, ratio * slope)]
        if isinstance(condition, TestBox) and self.volume_column is not None:
            volume, slope, column = self.stated.freed(condition.volume, theta)
            ratio = np.exp(theta[self.volume_column]) / volume
            air = w0 * w0 * ratio * x / (x + departure["leak"])
            escaping = -air / (x + departure["leak"])
            inertia = np.exp(departure["air"])
            stiffness, along = stiffness + air, along - escaping * departure["leak"]
            heavier.append((departures["air"], inertia))
            stiffer += [
                (self.volume_column, air),
                (column, -air * slope),
                (departures["leak"], escaping),
            ]
        zm, dzm = motional(s, np.exp(theta[1]), inertia, loss, stiffness)
        for column, row in zip(self.law_columns, by_law, strict=True):
            stiffer.append((column, row))
        moving = [
            (1, dzm[0]),
            (2, dzm[3] * (2 * stiffness - along)),
            (3, dzm[2] * loss),
            *((column, dzm[1] * change) for column, change in heavier),
            *((column, dzm[3] * change) for column, change in stiffer),
        ]
        flat = re + np.zeros_like(zm)
        still = [(0, flat), *zip(self.coil_columns, dzc, strict=True)]
        if "re" in departures:
            still.append((departures["re"], flat))
            moving.append((departures["loss"], dzm[2] * loss))
        total = re + zc + zm
        if reference.ring is not None:
            series, force, by_series, by_force = reference.ring
            moving = [(column, force**2 * slope) for column, slope in moving]
            # Of the first parameter rows: x falls with ln ws; per_ohm rises with it and falls
            # with the logarithm of the strength.
            for rows, add in ((by_series, np.ones_like(zm)), (by_force, 2 * zm * force)):
                into = still if rows is by_series else moving
                into += [(1, -add * rows[1]), (2, add * (rows[1] - rows[0]))]
                into += [(c, add * r) for c, r in zip(self.law_columns, rows[2:], strict=True)]
            zm = zm * force**2
            total = re + zc + series + zm
        columns, slopes = zip(*still, *moving, strict=True)
        return Modelled(total, zm, np.array(slopes), list(columns))
