"""The joint least-squares problem: residuals, Jacobian, and what every row stands for.

One vector holds the reference state of the driver (free air, logarithms of Re, strength
Bl^2/Mms, angular resonance, loss), its coil, Mms and Vas where a take can tell them, the small
departures of each take from the reference, and one standard-normal number per common error.
Errors that bend a curve keep the value zero: they are propagated, not estimated. Every departure
and every common error has one prior row.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from copy import copy
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from fit.driver.mechanics import IDEAL, Mechanics
from fit.driver.voicecoil import CoilModel
from fit.given.measured import AddedMass, FreeAir, MeasuredCurve, Session, Stated, TestBox
from fit.given.prior_widths import BOX, DRIFT, REPEAT
from fit.given.stated_values import AIR_LOAD_LIMITS, StatedValues
from fit.problem.common_errors import on_model
from fit.problem.take_model import DriverModel, Modelled, Take
from meas.curve import random_ohm

FloatArray = NDArray[np.float64]
ComplexArray = NDArray[np.complex128]

SCALES = 0.02
"""Departure of an error's relative effect from its mean, below which it merely scales a curve."""

_NO_GUIDE = 1.1
WEAK = 30.0
"""Standard deviation of the rows that keep unidentified coil parameters finite (logarithms)."""

REACH = 30.0
"""Greatest parameter: a logarithm beyond it (13 decades) is no property of a driver."""


@dataclass(frozen=True, eq=False)
class Rows:
    """A stretch of rows that stand for one source of error.

    Attributes:
        source: Identity of the source, or of a group of random ones.
        first: Index of the first row.
        last: Index after the last row.
        sign: -1 where the unknown error is itself a parameter (its prior says zero), +1 where
            the row compares a measured value with the model.
        text: The source in words.
    """

    source: str
    first: int
    last: int
    sign: float
    text: str


class Problem:
    """Residuals and Jacobian of several takes of one driver under one model.

    Args:
        curves: At least one take; free air first is not needed.
        session: What else was measured.
        coil: Coil model.
        mechanics: Laws of suspension and former.
        repeat: Standard deviations of the free-air takes about their mean, keyed as `REPEAT`;
            used where there are several.
    """

    def __init__(
        self,
        curves: Sequence[MeasuredCurve],
        session: Session,
        coil: CoilModel,
        mechanics: Mechanics = IDEAL,
        repeat: dict[str, float] | None = None,
    ) -> None:
        self.session = session
        self.repeat = repeat or REPEAT
        self.names: list[str] = ["re", "strength", "resonance", "loss"]
        coil_columns = [self._add(f"coil{i}") for i in range(coil.size)]
        law_columns = [self._add(f"law{i}") for i in range(mechanics.size)]
        self._texts: dict[str, str] = {}
        self.error_columns: dict[str, int] = {}
        self.stated = StatedValues(session, self.error_columns)
        self.departure_sizes: list[tuple[int, float, str, str]] = []
        has_mass = any(isinstance(c.condition, AddedMass) for c in curves)
        self._weighed = session.moving_parts is not None and session.area is not None
        self.mass_column = self._add("mass") if has_mass or self._weighed else None
        has_box = any(isinstance(c.condition, TestBox) for c in curves)
        self.volume_column = self._add("volume") if has_box else None
        self.driver = DriverModel(
            coil,
            mechanics,
            coil_columns,
            law_columns,
            self.mass_column,
            self.volume_column,
            self.stated,
        )
        for stated in (session.pressure, session.temperature, session.relative_humidity):
            self._error(stated.source, stated.text)
        self._error("air-equations", f"equations of humid air, {self.stated.air_equations:.2%}")
        if session.area is not None:
            self._error(session.area.source, session.area.text)
        if self._weighed:
            self._error("air-load", f"air load of the cone ±{AIR_LOAD_LIMITS:.0%}")
        several = sum(isinstance(c.condition, FreeAir) for c in curves) > 1
        self.takes = [self._take(i, c, several) for i, c in enumerate(curves)]
        self.grids = [  # the first take of the same frequencies
            next(i for i, other in enumerate(self.takes) if np.array_equal(take.s, other.s))
            for take in self.takes
        ]
        self.considered = self._shape_errors()
        self.size = len(self.names)
        self.variance = [take.noise**2 for take in self.takes]
        self.rows = self._lay_out()
        self._priors = self._prior_rows()
        self._memory: dict[str | int, Any] = {}

    @property
    def of_readings(self) -> bool:
        """Whether all takes are tables of readings."""
        return all(take.measured.of_readings for take in self.takes)

    def _add(self, name: str) -> int:
        self.names.append(name)
        return len(self.names) - 1

    def _error(self, source: str, text: str) -> int:
        if source not in self.error_columns:
            self._texts[source] = text
            self.error_columns[source] = self._add(f"error {source}")
        return self.error_columns[source]

    def _shape_errors(self) -> frozenset[int]:
        """Columns of the common errors that bend a curve instead of scaling it.

        They are propagated, not estimated (S. F. Schmidt's consider parameters: Adv. Control
        Systems 3, 1966). A least-squares fit would read them from what the model fails to follow,
        which in a real driver is of their size and not theirs. A scale error has no shape that
        a model could miss; only another measurement, such as the coil by multimeter, tells it.
        """
        bending = set()
        for take in self.takes:
            for column, effect in zip(take.error_columns, take.errors.T, strict=True):
                mean = np.mean(effect)
                if np.max(np.abs(effect - mean)) > SCALES * np.abs(mean):
                    bending.add(column)
        return frozenset(bending)

    def _take(self, index: int, measured: MeasuredCurve, several: bool) -> Take:
        curve, condition = measured.curve, measured.condition
        if isinstance(condition, AddedMass):
            self._error(condition.mass.source, condition.mass.text)
        if isinstance(condition, TestBox):
            self._error(condition.volume.source, condition.volume.text)
        if isinstance(condition, FreeAir):
            sizes = self.repeat if several else {}
            group = "random:repeatability"
        else:
            sizes = DRIFT | BOX if isinstance(condition, TestBox) else DRIFT
            group = "random:drift"
        departures = {}
        for kind, size in sizes.items():
            column = departures[kind] = self._add(f"{kind} of take {index + 1}")
            text = f"{_DEPARTURE_WORDS[kind]} of take {index + 1} ({measured.source})"
            self.departure_sizes.append((column, size, f"{group}:{kind}:{index + 1}", text))
        data = curve.values_ohm
        dtype = np.complex128 if np.iscomplexobj(data) else np.float64
        effects = np.zeros((data.size, len(curve.systematics)), dtype=dtype)
        for k, error in enumerate(curve.systematics):
            effects[:, k] = np.asarray(error.derivative_ohm, dtype=dtype) / data
        return Take(
            measured=measured,
            s=np.asarray(2j * np.pi * curve.frequency_hz, dtype=np.complex128),
            data=data,
            magnitude=np.abs(data),
            noise=random_ohm(curve),
            errors=effects,
            error_columns=[self._error(e.source, e.text) for e in curve.systematics],
            departures=departures,
        )

    def _lay_out(self) -> list[Rows]:
        """Order of rows: takes, measured values, priors."""
        rows: list[Rows] = []

        def add(source: str, count: int, sign: float, text: str) -> None:
            first = rows[-1].last if rows else 0
            rows.append(Rows(source, first, first + count, sign, text))

        for take in self.takes:
            add("random:curve", take.data.size * take.components, 1.0, "")
        for stated, present in (
            (self.session.measured_re, self.session.measured_re is not None),
            (self.session.moving_parts, self._weighed),
        ):
            if stated is not None and present:
                add(stated.source, 1, 1.0, stated.text)
        for _, _, source, text in self.departure_sizes:
            add(source, 1, -1.0, text)
        for source, text in self._texts.items():
            add(source, 1, -1.0, text)
        add("random:model", len(self.driver.columns), -1.0, "")
        return rows

    def _prior_rows(self) -> tuple[NDArray[np.intp], FloatArray, FloatArray]:
        """Parameter, expected value and standard deviation of each of the last rows."""
        stated = [(column, 0.0, size) for column, size, _, _ in self.departure_sizes]
        stated += [(self.error_columns[source], 0.0, 1.0) for source in self._texts]
        weak = zip(self.driver.columns, self.driver.typical, strict=True)
        stated += [(column, float(value), WEAK) for column, value in weak]
        columns, means, sizes = zip(*stated, strict=True)
        return np.array(columns, dtype=np.intp), np.array(means), np.array(sizes)

    def weighted(self, variance: list[FloatArray]) -> Problem:
        """The same problem under other variances, one array for each take."""
        other = copy(self)
        other.variance = variance
        return other

    def calm_errors(self, theta: FloatArray) -> None:
        """Take the noise out of what errors are reckoned by, given a first solution.

        Weights by readings that scatter would lean on those that came out low. A model that
        misses a reading by more than a tenth is no better guide than the reading.

        Args:
            theta: Parameters near the optimum, shape (p,).
        """
        for index, take in enumerate(self.takes):
            total = self.modelled(theta, index).total
            model = total if take.is_complex else np.abs(total)
            read = np.abs(take.data)
            take.magnitude[:] = np.clip(np.abs(total), read / _NO_GUIDE, read * _NO_GUIDE)
            for k, error in enumerate(take.measured.curve.systematics):
                effect = np.asarray(error.derivative_ohm, dtype=take.errors.dtype)
                take.errors[:, k] = on_model(effect, take.data, model, take.s) / model
        self._memory.clear()  # factors of the old errors

    def modelled(self, theta: FloatArray, take: int) -> Modelled:
        """Impedance of one take with its derivatives by the parameters that matter.

        Args:
            theta: Parameters, shape (p,).
            take: Index of the take.
        """
        memory = self._memory_of(theta)
        if take not in memory:
            theta = bounded(theta)
            grid = f"reference of take {self.grids[take]}"
            if grid not in memory:
                memory[grid] = self.driver.reference(self.takes[take].s, theta)
            memory[take] = self.driver.of_take(self.takes[take], theta, memory[grid])
        found: Modelled = memory[take]
        return found

    def _memory_of(self, theta: FloatArray) -> dict[str | int, Any]:
        """What is known at these parameters: residual and Jacobian ask for the same."""
        key = theta.tobytes()
        if self._memory.get("theta") != key:
            self._memory.clear()
            self._memory["theta"] = key
        return self._memory

    def modelled_together(self, theta: FloatArray) -> Iterator[Modelled]:
        """Every take in turn for many vectors of parameters at once; nothing is remembered.

        Args:
            theta: Shape (r, p).
        """
        vectors = bounded(theta).T[:, :, None]
        references = {
            grid: self.driver.reference(self.takes[grid].s, vectors) for grid in set(self.grids)
        }
        for grid, take in zip(self.grids, self.takes, strict=True):
            yield self.driver.of_take(take, vectors, references[grid])

    def _values(self, theta: FloatArray) -> list[tuple[float, FloatArray]]:
        """Measured values besides curves: residual and Jacobian row of each."""
        found: list[tuple[float, FloatArray]] = []
        session = self.session
        if session.measured_re is None and not self._weighed:
            return found
        theta = bounded(theta)
        if session.measured_re is not None:
            u = _relative(session.measured_re, session.measured_re.value)
            row = np.zeros(self.size)
            row[0] = 1 / u
            found.append(((theta[0] - math.log(session.measured_re.value)) / u, row))
        if self._weighed and self.mass_column is not None and session.moving_parts is not None:
            expected = self.stated.weighed_mass(theta)
            u = _relative(session.moving_parts, self.stated.weighed_mass(np.zeros(self.size)))
            row = np.zeros(self.size)
            row[self.mass_column] = 1 / u
            for name in (
                "air-load",
                session.pressure.source,
                session.temperature.source,
                session.relative_humidity.source,
                *([session.area.source] if session.area is not None else []),
            ):
                column = self.error_columns[name]
                step = np.zeros(self.size)
                step[column] = 1e-4
                change = self.stated.weighed_mass(theta + step) - self.stated.weighed_mass(
                    theta - step
                )
                row[column] = -change / (2e-4 * expected * u)
            found.append(((theta[self.mass_column] - math.log(expected)) / u, row))
        return found

    def raw(self, theta: FloatArray, take: int) -> ComplexArray | FloatArray:
        """Model with the common errors minus data [ohm], shape (n,)."""
        this = self.takes[take]
        total = self.modelled(theta, take).total
        modelled = total if this.is_complex else np.abs(total)
        return np.asarray(modelled * self._factor(theta, take) - this.data)

    def _factor(self, theta: FloatArray, take: int) -> NDArray[Any]:
        """What the common errors multiply a take by."""
        memory, key = self._memory_of(theta), f"factor of take {take}"
        if key not in memory:
            this = self.takes[take]
            memory[key] = this.factor(theta[this.error_columns])
        found: NDArray[Any] = memory[key]
        return found

    def residual(self, theta: FloatArray) -> FloatArray:
        """All rows, shape (m,), each in units of its standard deviation."""
        columns, means, sizes = self._priors
        parts = [
            stacked(self.raw(theta, index) / np.sqrt(variance))
            for index, variance in enumerate(self.variance)
        ]
        parts.append(np.array([value for value, _ in self._values(theta)]))
        parts.append((theta[columns] - means) / sizes)
        return np.concatenate(parts)

    def bending_variance(self, take: int) -> FloatArray:
        """Variance per component that the errors which bend a curve give each point [ohm2].

        Weights that know of it keep the estimate from leaning on points which are precise but
        may be bent; what the bending does to the estimate is propagated apart from that.

        Args:
            take: Index of the take.
        """
        this = self.takes[take]
        bent = np.zeros(this.data.size)
        for column, error in zip(this.error_columns, this.errors.T, strict=True):
            if column in self.considered:
                bent += np.abs(error * this.data) ** 2
        return bent / this.components

    def considered_effects(self, theta: FloatArray) -> dict[str, FloatArray]:
        """Rows' change for plus one standard uncertainty of each error that is not estimated.

        Args:
            theta: Parameters, shape (p,).

        Returns:
            Source to effect on all rows, shape (m,).
        """
        effects = {
            source: np.zeros(self.rows[-1].last)
            for source in self._texts
            if self.error_columns[source] in self.considered
        }
        for index, variance in enumerate(self.variance):
            this, rows = self.takes[index], self.rows[index]
            total = self.modelled(theta, index).total
            total = total if this.is_complex else np.abs(total)
            factor = self._factor(theta, index)
            for column, error in zip(this.error_columns, this.errors.T, strict=True):
                if column in self.considered:
                    source = self.names[column].removeprefix("error ")
                    effects[source][rows.first : rows.last] += stacked(
                        total * error * factor / np.sqrt(variance)
                    )
        return effects

    def jacobian(self, theta: FloatArray) -> FloatArray:
        """Derivatives of `residual`, shape (m, p), as if considered errors did not matter."""
        by_parameter = np.zeros((self.size, self.rows[-1].last))
        for index, variance in enumerate(self.variance):
            this, rows = self.takes[index], self.rows[index]
            modelled = self.modelled(theta, index)
            slopes, total = modelled.slopes, modelled.total
            if not this.is_complex:
                slopes = np.real(slopes * (total.conj() / np.abs(total)))
                total = np.abs(total)
            scale = self._factor(theta, index) / np.sqrt(variance)
            block = by_parameter[:, rows.first : rows.last]
            # A source that appears twice in one take must add up.
            for column, row in zip(modelled.columns, stacked(slopes * scale), strict=True):
                block[column] += row
            effects = stacked(this.errors.T * (total * scale))
            for column, row in zip(this.error_columns, effects, strict=True):
                if column not in self.considered:
                    block[column] += row
        last = self.rows[len(self.takes)].first
        for _, values in self._values(theta):
            by_parameter[:, last] = values
            last += 1
        columns, _, sizes = self._priors
        by_parameter[columns, np.arange(last, last + columns.size)] = 1 / sizes
        return by_parameter.T


_DEPARTURE_WORDS = {
    "re": "coil resistance",
    "compliance": "compliance",
    "loss": "mechanical loss",
    "air": "air load",
    "leak": "leak of the box",
}


def bounded(theta: FloatArray) -> FloatArray:
    """Parameters kept where an exponential means something; a wild step ends there."""
    # Not np.clip, which takes several times as long for so few numbers.
    return np.asarray(np.minimum(np.maximum(theta, -REACH), REACH))


def _relative(stated: Stated, value: float) -> float:
    """Relative standard uncertainty; a value stated as exact is taken to 1 ppm."""
    return max(stated.standard_uncertainty / value, 1e-6)


def stacked(values: ComplexArray | FloatArray) -> FloatArray:
    """Real parts, then imaginary ones where there are any, along the last axis."""
    if np.iscomplexobj(values):
        return np.concatenate([values.real, values.imag], axis=-1)
    return np.asarray(values.real, dtype=np.float64)
