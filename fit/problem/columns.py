"""The parameter vector of a joint fit, declared in order, with what is known of each beforehand."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from fit.driver.coils.coil import CoilModel
from fit.driver.mechanics import Mechanics
from fit.given import air
from fit.given.measured import AddedMass, FreeAir, MeasuredCurve, Session, TestBox
from fit.given.prior_widths import BOX, DEPARTURES, DRIFT
from fit.given.stated_values import AIR_LOAD_LIMITS
from fit.results.error_sources import DRIFTED, REPEATED
from meas.curve import FloatArray

WEAK = 30.0
"""Standard deviation of the priors that keep unidentified coil parameters finite (logarithms)."""

REACH = 30.0
"""Greatest size of a parameter: a logarithm beyond it (13 decades) describes no driver."""

REFERENCE = ("re", "strength", "resonance", "loss")
"""Logarithms of Re, Bl^2/Mms, 2 pi fs and Rms/Mms in free air: the first parameters."""

Role = Literal["driver", "coil", "law", "mass", "volume", "departure", "error"]


@dataclass(frozen=True)
class Column:
    """One parameter.

    Attributes:
        role: ``driver``, ``mass`` and ``volume`` have no prior; the others have one each.
        source: Identity of the error source that a departure or an error is.
        mean: Prior mean.
        size: Prior standard deviation.
    """

    name: str
    role: Role
    source: str = ""
    text: str = ""
    mean: float = 0.0
    size: float = 1.0


def weighed(session: Session) -> bool:
    """Tell whether the moving mass follows from the scales and the air that moves along."""
    return session.moving_parts is not None and session.area is not None


def error_name(source: str) -> str:
    """Name of the parameter that is the error of a source in standard uncertainties."""
    return f"error {source}"


def departure_name(kind: str, take: int) -> str:
    """Name of the parameter that is the departure of a take from the reference state."""
    return f"{kind} of take {take + 1}"


def departures_of(
    measured: MeasuredCurve, repeat: dict[str, float] | None
) -> tuple[str, dict[str, float]]:
    """Group and prior widths of what may differ between a take and the reference state.

    Args:
        repeat: Scatter of several free-air takes about their mean; None where there is only one,
            which is the reference itself.
    """
    if isinstance(measured.condition, FreeAir):
        return REPEATED, repeat or {}
    return DRIFTED, DRIFT | BOX if isinstance(measured.condition, TestBox) else DRIFT


def declare(
    curves: Sequence[MeasuredCurve],
    session: Session,
    coil: CoilModel,
    mechanics: Mechanics,
    repeat: dict[str, float] | None,
) -> list[Column]:
    """Declare every parameter once, in the order of the vector."""
    columns: dict[str, Column] = {}
    for column in (
        *_of_driver(curves, session, coil, mechanics),
        *_of_session(session),
        *(column for index, take in enumerate(curves) for column in _of_take(index, take, repeat)),
    ):
        columns.setdefault(column.name, column)  # one error may act in several takes
    return list(columns.values())


def _of_driver(
    curves: Sequence[MeasuredCurve], session: Session, coil: CoilModel, mechanics: Mechanics
) -> Iterator[Column]:
    for name in REFERENCE:
        yield Column(name, "driver")
    for number, value in enumerate(coil.typical):
        yield Column(f"coil{number}", "coil", mean=float(value), size=WEAK)
    for number, value in enumerate(mechanics.typical):
        yield Column(f"law{number}", "law", mean=float(value), size=WEAK)
    if weighed(session) or any(isinstance(take.condition, AddedMass) for take in curves):
        yield Column("mass", "mass")
    if any(isinstance(take.condition, TestBox) for take in curves):
        yield Column("volume", "volume")


def _of_session(session: Session) -> Iterator[Column]:
    for stated in (session.pressure, session.temperature, session.relative_humidity):
        yield _error(stated.source, stated.text)
    equations = air.model_uncertainty(session.pressure.value, session.temperature.value)
    yield _error("air-equations", f"equations of humid air, {equations:.2%}")
    if session.area is not None:
        yield _error(session.area.source, session.area.text)
    if weighed(session):
        yield _error("air-load", f"air load of the cone ±{AIR_LOAD_LIMITS:.0%}")


def _of_take(index: int, take: MeasuredCurve, repeat: dict[str, float] | None) -> Iterator[Column]:
    if isinstance(take.condition, AddedMass):
        yield _error(take.condition.mass.source, take.condition.mass.text)
    if isinstance(take.condition, TestBox):
        yield _error(take.condition.volume.source, take.condition.volume.text)
    group, sizes = departures_of(take, repeat)
    for kind, size in sizes.items():
        yield Column(
            departure_name(kind, index),
            "departure",
            f"{group}:{kind}:{index + 1}",
            f"{DEPARTURES[kind]} of take {index + 1} ({take.source})",
            size=size,
        )
    for error in take.curve.systematics:
        yield _error(error.source, error.text)


def _error(source: str, text: str) -> Column:
    return Column(error_name(source), "error", source, text)


def bounded(theta: FloatArray) -> FloatArray:
    """Clip parameters to where their exponentials mean something; a wild step ends there."""
    # Not np.clip, which takes several times as long for so few numbers.
    return np.asarray(np.minimum(np.maximum(theta, -REACH), REACH))
