"""The joint least-squares problem: residuals, Jacobian, and what every row stands for.

One vector (`fit.problem.columns`) holds the reference state of the driver (free air, logarithms
of Re, strength Bl^2/Mms, angular resonance, loss), its coil, and Mms and Vas where a take can
tell them. Behind them stand the small departures of each take from the reference, and one
standard-normal number per common error. Every departure and every common error has one prior row.

Common errors that change the shape of a curve instead of its scale keep the value zero: they are
propagated, not estimated (S. F. Schmidt's consider parameters: Adv. Control Systems 3, 1966). A
least-squares fit would read them from what the model fails to follow, which in a real driver is
of their size and not theirs. A scale error has no shape that a model could miss; only another
measurement, such as the coil by multimeter, tells it.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from copy import copy
from dataclasses import dataclass, replace
from typing import Any, Self

import numpy as np
from numpy.typing import NDArray

from fit.driver.coils.coil import CoilModel
from fit.driver.impedance import Modelled
from fit.driver.mechanics import IDEAL, Mechanics
from fit.given.measured import FreeAir, MeasuredCurve, Session
from fit.given.prior_widths import REPEAT
from fit.given.stated_values import StatedValues
from fit.problem.columns import (
    Column,
    bounded,
    declare,
    departure_name,
    departures_of,
    error_name,
)
from fit.problem.common_errors import on_model
from fit.problem.curve_rows import as_measured, error_effects, stacked
from fit.problem.other_values import OtherValues
from fit.problem.take_model import DriverModel, PreparedTake
from fit.results.error_sources import MODEL
from meas.curve import ComplexArray, FloatArray, random_ohm

SCALES = 0.02
"""Greatest departure of an error's relative effect from its mean, over the mean, at which the
error merely scales a curve."""

_NO_GUIDE = 1.1
"""Factor between model and reading from which the model is no better guide than the reading."""


@dataclass(frozen=True, eq=False)
class Rows:
    """Consecutive rows that stand for one source of error.

    Attributes:
        source: Identity of the source, or of a group of random ones.
        sign: -1 where the unknown error is itself a parameter (its prior says zero), +1 where
            the row compares a measured value with the model.
    """

    source: str
    first: int
    last: int
    sign: float
    text: str


class _Latest:
    """Cache of what was computed at the latest parameters, for residual and Jacobian alike."""

    def __init__(self) -> None:
        self._theta = b""
        self._known: dict[str | int, Any] = {}

    def at(self, theta: FloatArray) -> dict[str | int, Any]:
        key = theta.tobytes()
        if key != self._theta:
            self._theta, self._known = key, {}
        return self._known


class Problem:
    """Residuals and Jacobian of several takes of one driver under one model.

    Args:
        curves: At least one take; free air first is not needed.
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
        several = sum(isinstance(curve.condition, FreeAir) for curve in curves) > 1
        scatter = self.repeat if several else None
        self.columns = declare(curves, session, coil, mechanics, scatter)
        self.size = len(self.columns)
        self.names = [column.name for column in self.columns]
        place = {name: index for index, name in enumerate(self.names)}
        self.error_columns = {c.source: place[c.name] for c in self._of_role("error")}
        self.mass_column, self.volume_column = place.get("mass"), place.get("volume")
        self.stated = StatedValues(session, self.error_columns)
        self.driver = DriverModel(
            coil, mechanics, self.mass_column, self.volume_column, self.stated
        )
        self.takes = [_take(index, take, scatter, place) for index, take in enumerate(curves)]
        self.grids = [  # the first take of the same frequencies
            next(i for i, other in enumerate(self.takes) if np.array_equal(take.s, other.s))
            for take in self.takes
        ]
        self.shape_errors = _shape_errors(self.takes)
        self.variance = [take.noise**2 for take in self.takes]
        self._others = OtherValues(
            session, self.stated, self.error_columns, self.mass_column, self.size
        )
        self._priors = [*self._of_role("departure"), *self._of_role("error")]
        self._priors += [*self._of_role("coil"), *self._of_role("law")]
        self._prior_columns = np.array([place[c.name] for c in self._priors], dtype=np.intp)
        self._prior_means = np.array([column.mean for column in self._priors])
        self._prior_sizes = np.array([column.size for column in self._priors])
        self.rows = self._lay_out()
        self._modelled, self._factors = _Latest(), _Latest()

    def _of_role(self, role: str) -> list[Column]:
        return [column for column in self.columns if column.role == role]

    @property
    def of_readings(self) -> bool:
        """Tell whether all takes are tables of readings."""
        return all(take.measured.of_readings for take in self.takes)

    @property
    def estimated(self) -> list[int]:
        """Parameters that a fit estimates: all but errors of shape."""
        return [column for column in range(self.size) if column not in self.shape_errors]

    @property
    def departures(self) -> dict[int, float]:
        """Column of each departure of a take from the reference state, to its prior width."""
        return {
            index: column.size
            for index, column in enumerate(self.columns)
            if column.role == "departure"
        }

    def _lay_out(self) -> list[Rows]:
        """Order of rows: takes, other measured values, priors."""
        blocks = [
            ("random:curve", take.data.size * take.components, 1.0, "") for take in self.takes
        ]
        blocks += [(value.source, 1, 1.0, value.text) for value in self._others.measured]
        named = [*self._of_role("departure"), *self._of_role("error")]
        blocks += [(column.source, 1, -1.0, column.text) for column in named]
        blocks.append((MODEL, len(self.driver.columns), -1.0, ""))
        rows: list[Rows] = []
        for source, count, sign, text in blocks:
            first = rows[-1].last if rows else 0
            rows.append(Rows(source, first, first + count, sign, text))
        return rows

    @property
    def rows_of_others(self) -> slice:
        """Rows of measured values besides curves."""
        first = self.rows[len(self.takes)].first
        return slice(first, first + len(self._others.measured))

    def weighted(self, variance: list[FloatArray]) -> Self:
        """Copy the problem with other variances.

        Args:
            variance: Variance per component of each point [ohm2], one array for each take.
        """
        other = copy(self)
        other.variance = variance
        return other

    def without_memory(self) -> Self:
        """Copy the problem with empty caches."""
        other = copy(self)
        other._modelled, other._factors = _Latest(), _Latest()
        return other

    def with_errors_on(self, theta: FloatArray) -> Self:
        """Copy the problem with the noise taken out of what errors refer to.

        Weights by readings that scatter would lean on those that came out low. A model that
        misses a reading by more than a tenth is no better guide than the reading.

        Args:
            theta: Parameters near the optimum, shape (p,).
        """
        other = copy(self)
        other._factors = _Latest()  # those of the old errors are none of the new ones
        other.takes = [
            _with_errors_on(take, self.modelled(theta, index).total)
            for index, take in enumerate(self.takes)
        ]
        return other

    def modelled(self, theta: FloatArray, take: int) -> Modelled:
        """Impedance of one take with its derivatives by the parameters that matter."""
        known = self._modelled.at(theta)
        if take not in known:
            theta = bounded(theta)
            grid = f"reference of take {self.grids[take]}"
            if grid not in known:
                known[grid] = self.driver.at(self.takes[take].s, theta)
            known[take] = self.driver.of_take(self.takes[take], theta, known[grid])
        found: Modelled = known[take]
        return found

    def modelled_together(self, theta: FloatArray) -> Iterator[Modelled]:
        """Model every take in turn for many vectors of parameters at once, without caching.

        Args:
            theta: Shape (r, p).
        """
        vectors = bounded(theta).T[:, :, None]
        references = {grid: self.driver.at(self.takes[grid].s, vectors) for grid in set(self.grids)}
        for grid, take in zip(self.grids, self.takes, strict=True):
            yield self.driver.of_take(take, vectors, references[grid])

    def raw(self, theta: FloatArray, take: int) -> ComplexArray | FloatArray:
        """Model with the common errors minus data [ohm], shape (n,)."""
        this = self.takes[take]
        total = self.modelled(theta, take).total
        modelled = total if this.is_complex else np.abs(total)
        return np.asarray(modelled * self._factor(theta, take) - this.data)

    def _factor(self, theta: FloatArray, take: int) -> NDArray[Any]:
        """Factor of the common errors on a take."""
        known = self._factors.at(theta)
        if take not in known:
            this = self.takes[take]
            known[take] = this.factor(theta[this.error_columns])
        found: NDArray[Any] = known[take]
        return found

    def residual(self, theta: FloatArray) -> FloatArray:
        """Compute all rows, shape (m,), each in units of its standard deviation."""
        parts = [
            stacked(self.raw(theta, index) / np.sqrt(variance))
            for index, variance in enumerate(self.variance)
        ]
        parts.append(np.array([value for value, _ in self._others.rows(theta)]))
        parts.append((theta[self._prior_columns] - self._prior_means) / self._prior_sizes)
        return np.concatenate(parts)

    def shape_error_variance(self, take: int) -> FloatArray:
        """Variance per component that errors of shape give each point [ohm2].

        Weights that know of it keep the estimate from leaning on points which are precise but
        may be off; what the errors do to the estimate is propagated apart from that.
        """
        this = self.takes[take]
        variance = np.zeros(this.data.size)
        for column, error in zip(this.error_columns, this.errors.T, strict=True):
            if column in self.shape_errors:
                variance += np.abs(error * this.data) ** 2
        return variance / this.components

    def shape_error_effects(self, theta: FloatArray) -> dict[str, FloatArray]:
        """Change of the rows for plus one standard uncertainty of each error of shape.

        Returns:
            Source to effect on all rows, shape (m,).
        """
        effects = {
            source: np.zeros(self.rows[-1].last)
            for source, column in self.error_columns.items()
            if column in self.shape_errors
        }
        for index, variance in enumerate(self.variance):
            this, rows = self.takes[index], self.rows[index]
            total = self.modelled(theta, index).total
            total = total if this.is_complex else np.abs(total)
            factor = self._factor(theta, index)
            for column, error in zip(this.error_columns, this.errors.T, strict=True):
                if column in self.shape_errors:
                    effects[self.columns[column].source][rows.first : rows.last] += stacked(
                        total * error * factor / np.sqrt(variance)
                    )
        return effects

    def jacobian(self, theta: FloatArray) -> FloatArray:
        """Derivatives of `residual`, shape (m, p); zero by errors of shape."""
        by_parameter = np.zeros((self.size, self.rows[-1].last))
        for index, variance in enumerate(self.variance):
            this, rows = self.takes[index], self.rows[index]
            modelled = self.modelled(theta, index)
            total, slopes = as_measured(modelled.total, modelled.slopes, phase=this.is_complex)
            scale = self._factor(theta, index) / np.sqrt(variance)
            block = by_parameter[:, rows.first : rows.last]
            # A source that appears twice in one take must add up.
            for column, row in zip(modelled.columns, stacked(slopes * scale), strict=True):
                block[column] += row
            for column, error in zip(this.error_columns, this.errors.T, strict=True):
                if column not in self.shape_errors:
                    block[column] += stacked(error * total * scale)
        last = self.rows[len(self.takes)].first
        for _, values in self._others.rows(theta):
            by_parameter[:, last] = values
            last += 1
        priors = np.arange(last, last + len(self._priors))
        by_parameter[self._prior_columns, priors] = 1 / self._prior_sizes
        return by_parameter.T


def _take(
    index: int, measured: MeasuredCurve, scatter: dict[str, float] | None, place: Mapping[str, int]
) -> PreparedTake:
    """Prepare a curve for the fit.

    Args:
        place: Name of each parameter to its place in the vector.
    """
    curve = measured.curve
    data = curve.values_ohm
    _, sizes = departures_of(measured, scatter)
    return PreparedTake(
        measured=measured,
        s=np.asarray(2j * np.pi * curve.frequency_hz, dtype=np.complex128),
        data=data,
        magnitude=np.abs(data),
        noise=random_ohm(curve),
        errors=np.ascontiguousarray((error_effects(curve) / data).T),
        error_columns=[place[error_name(error.source)] for error in curve.systematics],
        departures={kind: place[departure_name(kind, index)] for kind in sizes},
    )


def _with_errors_on(take: PreparedTake, total: ComplexArray) -> PreparedTake:
    """Restate the errors of a take on its modelled impedance."""
    model = total if take.is_complex else np.abs(total)
    read = np.abs(take.data)
    errors = np.zeros_like(take.errors)
    for k, effect in enumerate(error_effects(take.measured.curve)):
        errors[:, k] = on_model(effect, take.data, model, take.s) / model
    magnitude = np.clip(np.abs(total), read / _NO_GUIDE, read * _NO_GUIDE)
    return replace(take, magnitude=magnitude, errors=errors)


def _shape_errors(takes: Sequence[PreparedTake]) -> frozenset[int]:
    """Find the common errors that change the shape of a curve instead of its scale."""
    found = set()
    for take in takes:
        for column, effect in zip(take.error_columns, take.errors.T, strict=True):
            mean = np.mean(effect)
            if np.max(np.abs(effect - mean)) > SCALES * np.abs(mean):
                found.add(column)
    return frozenset(found)
