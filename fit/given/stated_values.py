"""Values stated beside the curves, corrected by the errors that the fit finds in them."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

import numpy as np

from fit.given import air
from fit.given.air_load import air_load
from fit.given.measured import Session, Stated
from meas.curve import FloatArray

AIR_LOAD_LIMITS = 0.25
"""Half-width of the factor on the air load that moving parts on the scales do not show."""


class StatedValues:
    """Stated values as functions of the fit's parameters.

    Args:
        columns: Error source to the parameter that is its error in standard uncertainties; the
            mapping may grow.
    """

    def __init__(self, session: Session, columns: Mapping[str, int]) -> None:
        self._session = session
        self._columns = columns
        self.air_equations = air.model_uncertainty(
            session.pressure.value, session.temperature.value
        )

    def freed(self, stated: Stated, theta: FloatArray) -> tuple[Any, float, int]:
        """Value freed of its error, derivative of its logarithm by the error, and the column."""
        column = self._columns[stated.source]
        relative = stated.standard_uncertainty / stated.value
        return stated.value * np.exp(-relative * theta[column]), -relative, column

    def air_state(self, theta: FloatArray) -> tuple[float, float, float]:
        """Pressure [Pa], temperature [K], relative humidity freed of their errors."""
        session = self._session
        pressure, temperature, humidity = (
            stated.value - stated.standard_uncertainty * theta[self._columns[stated.source]]
            for stated in (session.pressure, session.temperature, session.relative_humidity)
        )
        return pressure, temperature, float(np.clip(humidity, 0.0, 1.0))

    def bulk_modulus(self, theta: FloatArray) -> float:
        """Modulus of the air, free of the errors of its state and of its equations [Pa]."""
        error = self.air_equations * theta[self._columns["air-equations"]]
        return air.bulk_modulus(*self.air_state(theta)) * math.exp(-error)

    def area(self, theta: FloatArray) -> float:
        """The ruler's area freed of its error [m2]."""
        if self._session.area is None:
            raise ValueError("no area was measured")
        return float(self.freed(self._session.area, theta)[0])

    def weighed_mass(self, theta: FloatArray) -> float:
        """Moving parts by the scales with the air that moves with them [kg]."""
        if self._session.moving_parts is None:
            raise ValueError("no moving parts were weighed")
        radius = math.sqrt(self.area(theta) / math.pi)
        factor = 1 - AIR_LOAD_LIMITS / math.sqrt(3) * theta[self._columns["air-load"]]
        density = air.density(*self.air_state(theta))
        load = factor * air_load(density, radius, self._session.mounting)
        return float(self._session.moving_parts.value + load)
