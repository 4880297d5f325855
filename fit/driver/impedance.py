"""The electrical impedance of a driver with its derivatives: written here and nowhere else.

Z = Re + Zcoil(s) + Zring(s) + force(s)^2 a s/D(s),   D = m s^2 + l s + ws^2 k(s/ws) + added

A driver shows Z = Re + Zcoil(s) + Bl^2/(Rms + s Mms + 1/(s Cms)) (A. N. Thiele, J. Audio Eng.
Soc. 19(5,6), 1971; R. H. Small, J. Audio Eng. Soc. 20(5), 1972). Divided by Mms the last term
holds only what an impedance can tell: strength a = Bl^2/Mms, loss l = Rms/Mms, resonance ws. k is
the stiffness of the suspension over that at resonance (`fit.driver.mechanics`). An added mass
raises the inertia m above one, a box adds the stiffness of its air (`fit.driver.enclosed_air`). A
closed former stands beside the coil and turns the force factor (`fit.driver.laws.former`).

The parameters of a driver are one vector: the logarithms of Re, a, ws and l in the reference
state (free air), then those of the coil and those of the laws of suspension and former.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Any, NamedTuple

import numpy as np

from fit.driver.coils.coil import CoilModel
from fit.driver.laws.law import Stiffness
from fit.driver.mechanics import Mechanics
from meas.curve import ComplexArray, FloatArray

Row = tuple[int, Any]
"""Parameter, and a derivative by it, shape (n,)."""

STATE_SIZE = 4
RE, STRENGTH, RESONANCE, LOSS = range(STATE_SIZE)
"""Places of the reference state in the vector."""


def motional(
    s: ComplexArray, strength: float, inertia: float, loss: float, stiffness: float | ComplexArray
) -> tuple[ComplexArray, ComplexArray]:
    """Motional impedance a s/(inertia s^2 + loss s + stiffness).

    Args:
        s: Complex angular frequency [rad/s], shape (n,).
        strength: Bl^2/Mms [ohm rad/s].
        inertia: Moving mass over Mms, 1 in free air.
        loss: Rms/Mms [rad/s].
        stiffness: Total dynamic stiffness over Mms [rad2/s2], perhaps along frequency, shape
            (n,); the square of 2 pi fs in free air.

    Returns:
        Impedance [ohm], shape (n,), and its derivatives by the logarithm of strength and by
        inertia, loss and stiffness, shape (4, n).
    """
    denominator = s * (inertia * s + loss) + stiffness
    z = strength * s / denominator
    slope = -z / denominator
    return z, np.array([z, slope * s * s, slope * s, slope])


class Condition(NamedTuple):
    """Difference from the reference state, with derivatives by parameters of the caller.

    Attributes:
        departures: ``re``, ``compliance`` or ``loss`` to the logarithm of its change and the
            parameter that this is.
        inertia: Moving mass over Mms.
        by_inertia: Derivatives of the inertia by the caller's parameters.
        stiffness: Stiffness of enclosed air over Mms [rad2/s2], shape (n,), which goes with ws^2
            where s/ws stays; None without a box.
        along: Derivative of that stiffness by ln(s/ws).
        by_stiffness: Derivatives of that stiffness by the caller's parameters.
    """

    departures: Mapping[str, tuple[Any, int]]
    inertia: Any = 1.0
    by_inertia: Sequence[Row] = ()
    stiffness: ComplexArray | None = None
    along: Any = 0.0
    by_stiffness: Sequence[Row] = ()


REFERENCE = Condition({})
"""Free air."""


@dataclass(frozen=True, eq=False)
class Modelled:
    """A modelled impedance with its derivatives.

    Attributes:
        total: Impedance [ohm], shape (n,), or (r, n) of r vectors of parameters.
        motion: Its motional part [ohm], shape (n,).
        slopes: Derivatives of the impedance, shape (q, n).
        columns: The parameter that each of the q derivatives belongs to; those of one add up.
    """

    total: ComplexArray
    motion: ComplexArray
    slopes: ComplexArray
    columns: list[int]

    def by_parameter(self, size: int) -> ComplexArray:
        """Derivatives by each of so many parameters, shape (size, n)."""
        found = np.zeros((size, *self.total.shape), dtype=np.complex128)
        for column, row in zip(self.columns, self.slopes, strict=True):
            found[column] += row
        return found


@dataclass(frozen=True, eq=False)
class AtFrequencies:
    """Parts of the impedance that all conditions share, at some frequencies, with derivatives.

    Attributes:
        coil: Impedance of the coil and derivatives by its parameters [ohm].
        spring: As `Mechanics.stiffness`.
        braking: As `Mechanics.braking`; None without a former.
        ring: As `Mechanics.ring`; None without a former.
    """

    coil: tuple[ComplexArray, ComplexArray]
    spring: Stiffness
    braking: Stiffness | None
    ring: tuple[ComplexArray, ComplexArray, ComplexArray, ComplexArray] | None


@dataclass(frozen=True, eq=False)
class Driver:
    """A driver by its models; its parameters `theta` stand first in a vector of any length.

    A woofer of 5.9 ohm at its resonance of 47 Hz shows Re and Res in series, and something of the
    coil:

    >>> from fit.driver.models import named
    >>> woofer = Driver(*named("plain"))
    >>> Re, fs, Qms, Res, Le = 5.9, 47.0, 4.1, 31.0, 0.4e-3
    >>> loss = 2 * np.pi * fs / Qms
    >>> theta = np.log([Re, Res * loss, 2 * np.pi * fs, loss, Le])
    >>> z = woofer.impedance(2j * np.pi * np.array([47.0]), theta).total
    >>> print(f"{z[0]:.2f} ohm")
    36.90+0.12j ohm
    """

    coil: CoilModel
    mechanics: Mechanics

    @property
    def name(self) -> str:
        """Name as reported, such as ``ladder+creep``."""
        return self.coil.name + self.mechanics.name

    @property
    def size(self) -> int:
        """Number of parameters."""
        return STATE_SIZE + self.coil.size + self.mechanics.size

    @cached_property
    def coil_columns(self) -> list[int]:
        """Parameters of the coil."""
        return list(range(STATE_SIZE, STATE_SIZE + self.coil.size))

    @cached_property
    def law_columns(self) -> list[int]:
        """Parameters of the laws."""
        return list(range(STATE_SIZE + self.coil.size, self.size))

    @property
    def columns(self) -> list[int]:
        """Parameters of coil and laws."""
        return list(range(STATE_SIZE, self.size))

    @property
    def typical(self) -> FloatArray:
        """Values of `columns` where the data say nothing about them."""
        return np.concatenate([self.coil.typical, self.mechanics.typical])

    def of_coil(self, theta: FloatArray) -> FloatArray:
        """The coil's own parameters."""
        return theta[STATE_SIZE : STATE_SIZE + self.coil.size]

    def of_laws(self, theta: FloatArray) -> FloatArray:
        """The laws' own parameters."""
        return theta[STATE_SIZE + self.coil.size : self.size]

    def blocked(self, s: ComplexArray, theta: FloatArray) -> ComplexArray:
        """Impedance without motion [ohm], a ring beside the coil included, shape (n,)."""
        coil, _ = self.coil.impedance(s, self.of_coil(theta))
        blocked = math.exp(theta[RE]) + coil
        if self.mechanics.former is None:
            return np.asarray(blocked)
        return np.asarray(blocked + self.ring(s, theta)[0])

    def force(self, s: ComplexArray, theta: FloatArray) -> ComplexArray | float:
        """Force factor over Bl: a closed former turns it, shape (n,)."""
        return 1.0 if self.mechanics.former is None else self.ring(s, theta)[1]

    def ring(
        self, s: ComplexArray, theta: FloatArray
    ) -> tuple[ComplexArray, ComplexArray, ComplexArray, ComplexArray]:
        """Effect of a former on coil and force factor (`Mechanics.ring`)."""
        w0 = np.exp(theta[RESONANCE])
        per_ohm = w0 * np.exp(-theta[STRENGTH])
        return self.mechanics.ring(s / w0, self.of_laws(theta), per_ohm)

    def dynamics(
        self, s: ComplexArray, theta: FloatArray, *, inertia: Any = 1.0, stiffer: Any = 0.0
    ) -> ComplexArray:
        """Mechanical impedance times s/Mms, D of the module [rad2/s2].

        Args:
            s: Complex angular frequency [rad/s], shape (n,).
            inertia: Moving mass over Mms, shape () or (k, 1).
            stiffer: Stiffness of a box over that of the suspension, shape (), (n,) or (k, 1).

        Returns:
            Shape (n,) or (k, n).
        """
        w0 = math.exp(theta[RESONANCE])
        k, _, _ = self.mechanics.stiffness(s / w0, self.of_laws(theta))
        return np.asarray(s * (inertia * s + math.exp(theta[LOSS])) + w0 * w0 * (k + stiffer))

    def motion(
        self, s: ComplexArray, theta: FloatArray, *, inertia: Any = 1.0, stiffer: Any = 0.0
    ) -> ComplexArray:
        """Motional impedance, with a mass or box; arguments and shapes of `dynamics` [ohm]."""
        mechanical = self.dynamics(s, theta, inertia=inertia, stiffer=stiffer)
        moving = math.exp(theta[STRENGTH]) * s / mechanical
        if self.mechanics.former is not None:
            moving = moving * self.ring(s, theta)[1] ** 2
        return np.asarray(moving)

    def at(self, s: ComplexArray, theta: FloatArray) -> AtFrequencies:
        """Compute what all conditions share at the same frequencies.

        Args:
            s: Complex angular frequency [rad/s], shape (n,).
            theta: Parameters, shape (p,) or (p, r, 1).
        """
        x, laws = s / np.exp(theta[RESONANCE]), self.of_laws(theta)
        closed = self.mechanics.former is not None
        return AtFrequencies(
            self.coil.impedance(s, self.of_coil(theta)),
            self.mechanics.stiffness(x, laws),
            self.mechanics.braking(x, laws) if closed else None,
            self.ring(s, theta) if closed else None,
        )

    def impedance(
        self,
        s: ComplexArray,
        theta: FloatArray,
        condition: Condition = REFERENCE,
        known: AtFrequencies | None = None,
    ) -> Modelled:
        """Impedance with its derivatives by the driver's parameters and those of the condition.

        Args:
            s: Complex angular frequency [rad/s], shape (n,).
            theta: Parameters, shape (p,), or (p, r, 1) for r of them at once; what is of shape
                (n,) then is of shape (r, n).
            condition: What differs from free air.
            known: `at` these frequencies and parameters, where it is known already.
        """
        known = self.at(s, theta) if known is None else known
        changes = {kind: change for kind, (change, _) in condition.departures.items()}
        columns = {kind: column for kind, (_, column) in condition.departures.items()}
        Re = np.exp(theta[RE] + changes.get("re", 0.0))
        loss = np.exp(theta[LOSS] + changes.get("loss", 0.0))
        stiffness, along, by_stiffness = self._stiffness(theta, known, changes, columns)
        if condition.stiffness is not None:
            stiffness, along = stiffness + condition.stiffness, along + condition.along
            by_stiffness += condition.by_stiffness
        by_inertia: Any = 0.0
        w0 = np.exp(theta[RESONANCE])
        beside = self.mechanics.reaction(s / w0, self.of_laws(theta), condition.inertia)
        if beside is not None:
            whole, with_x, by_inertia, by_law = (w0 * w0 * part for part in beside)
            stiffness, along = stiffness + whole, along + with_x
            by_stiffness += zip(self.law_columns, by_law, strict=True)
        zm, by = motional(s, np.exp(theta[STRENGTH]), condition.inertia, loss, stiffness)
        flat = Re + np.zeros_like(zm)
        zc, by_coil = known.coil
        blocked = Re + zc
        still: list[Row] = [(RE, flat), *zip(self.coil_columns, by_coil, strict=True)]
        moving: list[Row] = [
            (STRENGTH, by[0]),
            (RESONANCE, by[3] * (2 * stiffness - along)),
            (LOSS, by[2] * loss),
            *(
                (column, (by[1] + by[3] * by_inertia) * change)
                for column, change in condition.by_inertia
            ),
            *((column, by[3] * change) for column, change in by_stiffness),
        ]
        if "re" in columns:
            still.append((columns["re"], flat))
        if "loss" in columns:
            moving.append((columns["loss"], by[2] * loss))
        if known.ring is not None:
            blocked = blocked + known.ring[0]
            of_ring, moving = self._turned(zm, moving, known.ring)
            still += of_ring
            zm = zm * known.ring[1] ** 2
        order, slopes = zip(*still, *moving, strict=True)
        return Modelled(blocked + zm, zm, np.array(slopes), list(order))

    def _stiffness(
        self,
        theta: FloatArray,
        known: AtFrequencies,
        changes: Mapping[str, Any],
        columns: Mapping[str, int],
    ) -> tuple[Any, Any, list[Row]]:
        """Stiffness of suspension and former over Mms, its derivative by ln(s/ws), and others."""
        w0 = np.exp(theta[RESONANCE])
        spring = w0 * w0 * np.exp(-changes.get("compliance", 0.0))
        k, along, by_law = known.spring
        stiffness, along = np.asarray(spring * k), np.asarray(spring * along)
        softened, by_law = stiffness, spring * by_law
        if known.braking is not None:
            # A spring that softens leaves the ring as it is.
            brake, brake_along, brake_by_law = known.braking
            kept = w0 * w0 - spring
            softened = softened - spring * brake
            stiffness, along = stiffness + kept * brake, along + kept * brake_along
            by_law = by_law + kept * brake_by_law
        rows: list[Row] = [*zip(self.law_columns, by_law, strict=True)]
        if "compliance" in columns:
            rows.append((columns["compliance"], -softened))
        return stiffness, along, rows

    def _turned(
        self,
        zm: ComplexArray,
        moving: Sequence[Row],
        ring: tuple[ComplexArray, ComplexArray, ComplexArray, ComplexArray],
    ) -> tuple[list[Row], list[Row]]:
        """Derivatives that a ring adds to the blocked impedance, and all of the motional one.

        A ring depends on s/ws, which falls as ws rises, and on ws over the strength (`ring`).
        """
        _, force, by_series, by_force = ring

        def rows(by: ComplexArray, scale: ComplexArray) -> list[Row]:
            return [
                (STRENGTH, -scale * by[1]),
                (RESONANCE, scale * (by[1] - by[0])),
                *((c, scale * row) for c, row in zip(self.law_columns, by[2:], strict=True)),
            ]

        turned = [(column, force**2 * slope) for column, slope in moving]
        return rows(by_series, np.ones_like(zm)), turned + rows(by_force, 2 * zm * force)
