"""Measured values besides curves, each one row of the joint problem."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from fit.given.measured import Session, Stated
from fit.given.stated_values import StatedValues
from fit.problem.columns import bounded, weighed
from meas.curve import FloatArray

_STEP = 1e-4
"""Step of a derivative, in standard uncertainties of an error."""


@dataclass(frozen=True, eq=False)
class OtherValues:
    """Coil resistance by multimeter and moving parts on the scales, as far as measured.

    Attributes:
        stated: The session's values freed of their errors.
        error_columns: Error source to its parameter.
        mass_column: Logarithm of Mms; None where nothing tells it.
    """

    session: Session
    stated: StatedValues
    error_columns: Mapping[str, int]
    mass_column: int | None
    size: int

    @cached_property
    def measured(self) -> list[Stated]:
        """The values, in the order of their rows."""
        values = [self.session.measured_re]
        if weighed(self.session):
            values.append(self.session.moving_parts)
        return [value for value in values if value is not None]

    def rows(self, theta: FloatArray) -> list[tuple[float, FloatArray]]:
        """Residual of each value in standard deviations, and its derivatives, shape (p,)."""
        if not self.measured:
            return []
        theta = bounded(theta)
        found = []
        if self.session.measured_re is not None:
            found.append(self._coil(self.session.measured_re, theta))
        if weighed(self.session) and self.session.moving_parts is not None:
            found.append(self._moving_parts(self.session.moving_parts, theta))
        return found

    def _coil(self, measured: Stated, theta: FloatArray) -> tuple[float, FloatArray]:
        u = _relative(measured, measured.value)
        row = np.zeros(self.size)
        row[0] = 1 / u
        return float((theta[0] - math.log(measured.value)) / u), row

    def _moving_parts(self, measured: Stated, theta: FloatArray) -> tuple[float, FloatArray]:
        """The mass with the air that moves along, which depends on the air and the area."""
        assert self.mass_column is not None
        expected = self.stated.weighed_mass(theta)
        u = _relative(measured, self.stated.weighed_mass(np.zeros(self.size)))
        row = np.zeros(self.size)
        row[self.mass_column] = 1 / u
        session = self.session
        of_air = (session.pressure, session.temperature, session.relative_humidity, session.area)
        for source in ("air-load", *(value.source for value in of_air if value is not None)):
            column = self.error_columns[source]
            step = np.zeros(self.size)
            step[column] = _STEP
            up, down = (self.stated.weighed_mass(theta + sign * step) for sign in (1, -1))
            row[column] = -(up - down) / (2 * _STEP * expected * u)
        return float((theta[self.mass_column] - math.log(expected)) / u), row


def _relative(stated: Stated, value: float) -> float:
    """Relative standard uncertainty; a value stated as exact is taken to 1 ppm."""
    return max(stated.standard_uncertainty / value, 1e-6)
