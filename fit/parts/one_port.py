"""One curve followed by one small model: parameters with the effect of every error on them.

For one-ports other than a driver's. The bench's common errors are parameters with a prior row
each; what the model does not follow becomes a variance (`fit.problem.reweighting`), as in the
joint fit of a driver.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from copy import copy
from dataclasses import dataclass, replace
from typing import Any, Protocol, Self

import numpy as np
from numpy.typing import NDArray

from fit.numerics.covariance import covariance, principal_components
from fit.problem.common_errors import on_model
from fit.problem.curve_rows import as_measured, error_effects, stacked
from fit.problem.misfit import Misfit, estimate, leverages
from fit.problem.reweighting import ROUGH, Reweighting
from fit.results.error_sources import MODEL, NOISE, along
from fit.results.result import Estimate
from fit.uncertainty.budget import widening
from meas.curve import ComplexArray, Curve, FloatArray, Systematic

_STEP = 1e-6
_RESTATED = 3
"""Rounds in which errors that turn a curve far are stated on the model, before it is weighed."""


class OnePort(Protocol):
    """Model of an impedance with few parameters."""

    def impedance(self, s: ComplexArray, theta: FloatArray) -> tuple[ComplexArray, ComplexArray]:
        """Impedance [ohm], shape (n,), and its derivatives, shape (p, n), at s [rad/s]."""
        ...


@dataclass(frozen=True, eq=False)
class Followed:
    """A fitted model.

    Attributes:
        theta: Parameters, shape (p,).
        effects: Independent error source to its effect on ``theta`` for plus one standard
            uncertainty, shape (p,).
        model_ohm: The model as the curve should show it with the errors found, shape (n,).
        residual_rms_relative: Root mean square of |data - model|/|data|.
        freedom: Degrees of freedom of the model error.
    """

    theta: FloatArray
    effects: Mapping[str, FloatArray]
    sources: Mapping[str, str]
    model_ohm: ComplexArray | FloatArray
    residual_rms_relative: float
    freedom: float

    def estimate(
        self,
        quantity: Callable[[FloatArray], float],
        unit: str,
        *,
        logarithmic: bool = True,
        frequency_hz: float | None = None,
    ) -> Estimate:
        """A quantity of the parameters, with what limits it (JCGM 102:2011, 6.2.1.3).

        Args:
            quantity: Parameters to value, smooth.
            logarithmic: Whether the error is normal in the logarithm.
            frequency_hz: Where the quantity is stated at a frequency.
        """
        value = float(quantity(self.theta))
        gradient = np.zeros(self.theta.size)
        for index, own in enumerate(self.theta):
            step = np.zeros(self.theta.size)
            step[index] = _STEP * max(abs(own), self._spread(index))
            if step[index] > 0:
                change = quantity(self.theta + step) - quantity(self.theta - step)
                gradient[index] = change / (2 * step[index])
        contributions = along(gradient, self.effects)
        return Estimate(
            value=value,
            unit=unit,
            contributions=contributions,
            logarithmic=logarithmic,
            frequency_hz=frequency_hz,
            widening=widening(contributions, {(MODEL,): self.freedom}),
        )

    def _spread(self, index: int) -> float:
        return math.sqrt(sum(float(effect[index]) ** 2 for effect in self.effects.values()))


def follow(
    curve: Curve,
    model: OnePort,
    start: FloatArray,
    extra: tuple[Systematic, ...] = (),
    known: Mapping[str, str] | None = None,
    *,
    shunted: bool = False,
    starts: Sequence[tuple[FloatArray, Mapping[str, float]]] = (),
) -> Followed:
    """Fit a model to a curve by weighted least squares, with all common errors of the curve.

    Args:
        extra: Common errors besides the curve's own.
        known: Error source to its description, for the last parameters of the model: each is
            the error of that source in standard uncertainties, zero as far as is known. Where
            the curve has an error of the same source, it is the same number.
        shunted: Whether errors that add to the admittance are fitted there, where they are linear
            however large they are: for a curve far from the bench's resistor, with its phase.
        starts: Where else to begin: the model's own parameters, and common errors by their source
            in standard uncertainties.
    """
    curve = replace(curve, systematics=(*curve.systematics, *extra))
    problem = _Problem(curve, model, start.size, known or {}, shunted)
    theta = np.concatenate([start, np.zeros(problem.size - start.size)])
    tried = [_restated(problem, own, errors) for own, errors in starts]
    if good := [one for one in tried if one is not None]:
        problem, theta, _ = min(good, key=lambda one: one[2])
    problem, theta = _REWEIGHTING.lowered(problem, theta, ROUGH)
    problem, theta, _ = _REWEIGHTING.refined(problem, theta)
    return _followed(problem, theta)


def _restated(
    problem: _Problem, own: FloatArray, errors: Mapping[str, float]
) -> tuple[_Problem, FloatArray, float] | None:
    """Optimum under rough weights with the errors of the bench stated on it, and its cost.

    None where that start leads nowhere.
    """
    theta = np.concatenate([own, np.zeros(problem.size - own.size)])
    for source, size in errors.items():
        theta[problem.columns[source]] = size
    with np.errstate(all="ignore"):
        try:
            for _ in range(_RESTATED):
                problem = problem.with_errors_on(theta)
                theta = _REWEIGHTING.solved(problem, theta)
        except (np.linalg.LinAlgError, ValueError):
            return None
        cost = float(np.sum(problem.residual(theta) ** 2))
    return (problem, theta, cost) if np.isfinite(cost) else None


class _Problem:
    """Residuals and Jacobian: model parameters first, then one number per common error.

    Args:
        curve: The measured impedance or its magnitude, with its common errors.
        own: Number of the model's parameters.
        inverse: Whether rows compare admittances instead.
    """

    def __init__(
        self, curve: Curve, model: OnePort, own: int, known: Mapping[str, str], inverse: bool
    ) -> None:
        self.curve, self.model, self.own = curve, model, own
        self.free = own - len(known)
        # One column for each source, whether the model or the curve tells of it.
        sources = dict.fromkeys([*known, *(error.source for error in curve.systematics)])
        self.columns = {source: self.free + k for k, source in enumerate(sources)}
        self.size = self.free + len(self.columns)
        self.words = {**{error.source: error.text for error in curve.systematics}, **known}
        places = [self.columns[error.source] for error in curve.systematics]
        self.error_columns = np.array(places, dtype=np.intp)
        self.s = np.asarray(2j * np.pi * curve.frequency_hz, dtype=np.complex128)
        self.data = 1 / curve.values_ohm if inverse else curve.values_ohm
        self.phase = np.iscomplexobj(self.data)
        self.components = 2 if self.phase else 1
        self.magnitude = np.abs(self.data)
        noise = curve.standard_uncertainty_ohm
        self.noise = np.zeros(self.magnitude.size) if noise is None else noise
        if inverse:
            self.noise = self.noise * self.magnitude**2
        self.inverse = inverse
        self.shunt = np.array([inverse and error.shunt for error in curve.systematics], bool)
        self.effects = self._stated()
        self.turn = np.zeros(self.effects.shape)
        for row, error in zip(self.turn, curve.systematics, strict=True):
            if inverse and error.turn_rad is not None:
                row[:] = error.turn_rad
        self.variance = _rough_variance(self, ROUGH)

    @property
    def rows(self) -> int:
        """Number of rows that compare the curve with the model."""
        return self.components * self.magnitude.size

    def weighted(self, variance: list[FloatArray]) -> Self:
        """Copy the problem with other variances."""
        other = copy(self)
        other.variance = variance
        return other

    def with_errors_on(self, theta: FloatArray) -> Self:
        """Copy the problem with the noise taken out of the effects of the common errors."""
        other = copy(self)
        z, _ = self._modelled(theta)
        seen = {False: (self.curve.values_ohm, z), True: (self.data, 1 / z)}
        effects = [
            on_model(effect, *seen[bool(shunt)], self.s)
            for effect, shunt in zip(self._stated(), self.shunt, strict=True)
        ]
        other.effects = np.array(effects).reshape(self.effects.shape)
        return other

    def _stated(self) -> NDArray[Any]:
        """Effect of each common error on what it adds to, as stated, shape (k, n)."""
        effects = error_effects(self.curve)
        effects[self.shunt] *= -(self.data**2)
        return effects

    def _modelled(self, theta: FloatArray) -> tuple[NDArray[Any], NDArray[Any]]:
        z, slopes = self.model.impedance(self.s, theta[: self.own])
        return as_measured(z, slopes, phase=self.phase)

    def raw(self, theta: FloatArray) -> ComplexArray | FloatArray:
        """Model with errors minus data [ohm], or [S] where admittances are compared."""
        z = self._in_series(theta)
        difference: ComplexArray | FloatArray = z - self.data
        if self.inverse:
            difference = 1 / z + self._errors(theta, self.shunt) - self.data
        return difference

    def _in_series(self, theta: FloatArray) -> NDArray[Any]:
        """Modelled impedance with the errors that add to it."""
        return np.asarray(self._modelled(theta)[0] + self._errors(theta, ~self.shunt))

    def _errors(self, theta: FloatArray, which: NDArray[np.bool_]) -> NDArray[Any]:
        size, turn = theta[self.error_columns[which]], 1j * self.turn[which]
        if not turn.any():
            return np.asarray(size @ self.effects[which])
        # What turns w by x adds w (exp(jx) - 1), which is its first derivative j w x for a small x.
        with np.errstate(invalid="ignore"):
            amount = np.expm1(turn * size[:, None]) / turn
        amount = np.where(turn == 0, size[:, None], amount)
        return np.asarray(np.sum(amount * self.effects[which], axis=0))

    def residual(self, theta: FloatArray) -> FloatArray:
        """Rows in standard deviations: the curve, then the priors."""
        rows = stacked(self.raw(theta) / np.sqrt(self.variance[0]))
        return np.concatenate([rows, theta[self.free :]])

    def jacobian(self, theta: FloatArray) -> FloatArray:
        """Derivatives of `residual`, shape (m, p)."""
        _, slopes = self._modelled(theta)
        weight = np.sqrt(self.variance[0])
        jacobian = np.zeros((self.rows + len(self.columns), self.size))
        turned = -1 / self._in_series(theta) ** 2 if self.inverse else np.float64(1.0)
        jacobian[: self.rows, : self.own] = stacked(slopes * turned / weight).T
        errors = zip(self.error_columns, self.effects, self.shunt, self.turn, strict=True)
        for column, effect, shunt, turn in errors:
            on_data = effect if shunt else effect * turned
            if turn.any():
                on_data = on_data * np.exp(1j * turn * theta[column])
            jacobian[: self.rows, column] += stacked(on_data / weight)
        jacobian[self.rows :, self.free :] = np.eye(len(self.columns))
        return jacobian


def _rough_variance(problem: _Problem, level: float) -> list[FloatArray]:
    return [problem.noise**2 + (level * problem.magnitude) ** 2]


def _relative_misfit(problem: _Problem, theta: FloatArray) -> float:
    """Root mean square of the residual over |Z| beyond the noise."""
    square = np.abs(problem.raw(theta)) ** 2 / problem.components
    excess = np.mean((square - problem.noise**2) / problem.magnitude**2)
    return math.sqrt(max(float(excess), 1e-14))


def _local_variance(problem: _Problem, theta: FloatArray) -> tuple[list[FloatArray], Misfit]:
    misfit = _misfit(problem, theta)
    variance = problem.noise**2 + _model_variance(problem, misfit)
    return [np.maximum(variance, (1e-9 * problem.magnitude) ** 2)], misfit


_REWEIGHTING = Reweighting[_Problem, Misfit](
    rough=_rough_variance,
    relative_misfit=_relative_misfit,
    local=_local_variance,
    bounded=lambda theta: theta,
    rounds=8,
    close=0.05,
    tolerance=1e-10,
    worth=0.0,
    restate=True,
)


def _misfit(problem: _Problem, theta: FloatArray) -> Misfit:
    share = leverages(problem.jacobian(theta))[: problem.rows]
    return estimate(
        problem.curve.frequency_hz,
        problem.raw(theta),
        problem.magnitude,
        problem.noise,
        share.reshape(problem.components, -1).mean(axis=0),
        stated=bool(np.all(problem.noise > 0)),
    )


def _model_variance(problem: _Problem, misfit: Misfit) -> FloatArray:
    """Variance per component that gives n correlated points the weight they deserve."""
    return misfit.length * (misfit.relative * problem.magnitude) ** 2


def _followed(problem: _Problem, theta: FloatArray) -> Followed:
    """Propagate every error of the rows to the parameters (`fit.uncertainty.budget`)."""
    misfit = _misfit(problem, theta)
    jacobian, rows = problem.jacobian(theta), problem.rows
    answer = covariance(jacobian)[: problem.own]
    effects: dict[str, FloatArray] = {}
    words: dict[str, str] = {}
    for group, variance, text in (
        (NOISE, problem.noise**2, "noise of the take"),
        (MODEL, _model_variance(problem, misfit), "what the model does not follow"),
    ):
        share = np.tile(np.sqrt(variance / problem.variance[0]), problem.components)
        own = principal_components(answer @ (jacobian[:rows] * share[:, None]).T)
        effects |= {f"{group}:{k}": effect for k, effect in enumerate(own, start=1)}
        words |= {f"{group}:{k}": text for k in range(1, len(own) + 1)}
    for source, row in zip(problem.columns, jacobian[rows:], strict=True):
        # The prior says zero where the error is one: the row is off by minus one.
        effects[source] = -(answer @ row)
        words[source] = problem.words[source]
    raw = problem.raw(theta)
    return Followed(
        theta=theta[: problem.own],
        effects=effects,
        sources=words,
        model_ohm=1 / (problem.data + raw) if problem.inverse else problem.data + raw,
        residual_rms_relative=float(np.sqrt(np.mean((np.abs(raw) / problem.magnitude) ** 2))),
        freedom=misfit.freedom,
    )
