"""One curve followed by one small model: parameters with the effect of every error on them.

For one-ports other than a driver's. The bench's common errors are parameters with a prior row
each, what the model does not follow becomes a variance, as in the joint fit of a driver.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Protocol

import numpy as np

from fit.numerics.least_squares import least_squares
from fit.problem.common_errors import on_model
from fit.problem.misfit import Misfit, estimate, leverages
from fit.results.result import Z95, Estimate
from fit.uncertainty.budget import covariance
from meas.curve import ComplexArray, Curve, FloatArray, ImpedanceCurve, Systematic

ROUGH = 0.02
"""Relative model error assumed before the residuals have shown one."""
_ROUNDS = 8
_CLOSE = 0.05
_STEP = 1e-6


class OnePort(Protocol):
    """A model of an impedance with few parameters."""

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
        sources: Error source to its description.
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
            unit: Unit of the value.
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
        contributions = {name: float(gradient @ effect) for name, effect in self.effects.items()}
        contributions = {name: part for name, part in contributions.items() if part != 0.0}
        return Estimate(
            value=value,
            unit=unit,
            contributions=contributions,
            logarithmic=logarithmic,
            frequency_hz=frequency_hz,
            widening=self._widening(contributions),
        )

    def _spread(self, index: int) -> float:
        return math.sqrt(sum(float(effect[index]) ** 2 for effect in self.effects.values()))

    def _widening(self, contributions: Mapping[str, float]) -> float:
        """Student's 97.5 % point over the normal one (JCGM 100:2008, G.4.1)."""
        from scipy.special import stdtrit

        total = sum(part * part for part in contributions.values())
        uncertain = sum(p * p for name, p in contributions.items() if name.startswith(_MODEL))
        if uncertain <= 1e-9 * total or not math.isfinite(self.freedom):
            return 1.0
        degrees = self.freedom * (total / uncertain) ** 2
        return max(1.0, float(stdtrit(degrees, 0.975)) / Z95)


_NOISE, _MODEL = "random:noise", "random:model"


def follow(
    curve: Curve,
    model: OnePort,
    start: FloatArray,
    extra: tuple[Systematic, ...] = (),
    known: Mapping[str, str] | None = None,
) -> Followed:
    """Weighted least squares of a model on a curve, with all its common errors.

    Args:
        curve: The measured impedance or its magnitude.
        model: What to fit.
        start: Starting values, shape (p,).
        extra: Common errors besides the curve's own.
        known: Error source to its description, for the last parameters of the model: each is
            the error of that source in standard uncertainties, zero as far as is known. Where
            the curve has an error of the same source, it is the same number.
    """
    run = _Run(curve, model, start.size, (*curve.systematics, *extra), known or {})
    theta = np.concatenate([start, np.zeros(run.total - start.size)])
    level = ROUGH
    for _ in range(_ROUNDS):
        run.variance = run.noise**2 + (level * run.magnitude) ** 2
        theta = least_squares(run.residual, run.jacobian, theta).values
        run.calm(theta)
        excess = np.mean((np.abs(run.raw(theta)) ** 2 / run.components - run.noise**2)
                         / run.magnitude**2)  # fmt: skip
        lower = math.sqrt(max(float(excess), 1e-14))
        if lower > 0.7 * level:
            break
        level = lower
    misfit = run.misfit(theta)
    for _ in range(_ROUNDS):
        before, run.variance = run.variance, run.noise**2 + run.model_variance(misfit)
        run.variance = np.maximum(run.variance, (1e-9 * run.magnitude) ** 2)
        theta = least_squares(run.residual, run.jacobian, theta).values
        run.calm(theta)
        misfit = run.misfit(theta)
        if np.max(np.abs(np.log(run.variance / before))) < _CLOSE:
            break
    return run.finished(theta, misfit)


class _Run:
    """Residuals and Jacobian: model parameters first, then one number per common error."""

    def __init__(
        self,
        curve: Curve,
        model: OnePort,
        size: int,
        errors: tuple[Systematic, ...],
        known: Mapping[str, str],
    ) -> None:
        self.model, self.size = model, size
        self.free = size - len(known)
        # One column for each source, whether the model or the curve tells of it.
        self.columns = {source: self.free + k for k, source in enumerate(known)}
        for error in errors:
            self.columns.setdefault(error.source, self.free + len(self.columns))
        self.total = self.free + len(self.columns)
        self.words = {**{error.source: error.text for error in errors}, **known}
        self.error_columns = [self.columns[error.source] for error in errors]
        self.frequency = curve.frequency_hz
        self.s = np.asarray(2j * np.pi * curve.frequency_hz, dtype=np.complex128)
        self.data: ComplexArray | FloatArray = curve.values_ohm
        self.is_complex = isinstance(curve, ImpedanceCurve)
        self.components = 2 if self.is_complex else 1
        self.magnitude = np.abs(self.data)
        noise = curve.standard_uncertainty_ohm
        self.noise = np.zeros(self.magnitude.size) if noise is None else noise
        self.stated = [np.asarray(error.derivative_ohm) for error in errors]
        self.effects = self._as_rows(self.stated)
        self.variance = self.noise**2 + (ROUGH * self.magnitude) ** 2

    def _as_rows(self, effects: Sequence[ComplexArray | FloatArray]) -> ComplexArray | FloatArray:
        stacked = np.array(effects, dtype=np.complex128)
        stacked = stacked.reshape(len(effects), self.magnitude.size)
        return stacked if self.is_complex else np.asarray(stacked.real)

    def _modelled(self, theta: FloatArray) -> tuple[ComplexArray | FloatArray, ComplexArray]:
        z, slopes = self.model.impedance(self.s, theta[: self.size])
        if self.is_complex:
            return z, slopes
        size = np.abs(z)
        return size, np.real(slopes * (z.conj() / size)).astype(np.complex128)

    def calm(self, theta: FloatArray) -> None:
        """Take the noise out of the effects of the common errors."""
        z, _ = self._modelled(theta)
        effects = self._as_rows(self.stated)
        self.effects = self._as_rows([on_model(effect, self.data, z, self.s) for effect in effects])

    def raw(self, theta: FloatArray) -> ComplexArray | FloatArray:
        """Model with errors minus data [ohm]."""
        z, _ = self._modelled(theta)
        difference: ComplexArray | FloatArray = (
            z + theta[self.error_columns] @ self.effects - self.data
        )
        return difference

    def residual(self, theta: FloatArray) -> FloatArray:
        return np.concatenate([self._stack(self.raw(theta)), theta[self.free :]])

    def jacobian(self, theta: FloatArray) -> FloatArray:
        _, slopes = self._modelled(theta)
        upper = np.zeros((self.components * self.magnitude.size, self.total))
        for column, slope in enumerate(slopes):
            upper[:, column] = self._stack(slope)
        for column, effect in zip(self.error_columns, self.effects, strict=True):
            upper[:, column] += self._stack(effect)
        priors = np.zeros((len(self.columns), self.total))
        priors[:, self.free :] = np.eye(len(self.columns))
        return np.concatenate([upper, priors])

    def _stack(self, values: ComplexArray | FloatArray) -> FloatArray:
        weighted = values / np.sqrt(self.variance)
        if not self.is_complex:
            return np.real(weighted)
        return np.concatenate([weighted.real, weighted.imag])

    def misfit(self, theta: FloatArray) -> Misfit:
        rows = self.components * self.magnitude.size
        return estimate(
            self.frequency,
            self.raw(theta),
            self.magnitude,
            self.noise,
            leverages(self.jacobian(theta))[:rows].reshape(self.components, -1).mean(axis=0),
            stated=bool(np.all(self.noise > 0)),
        )

    def model_variance(self, misfit: Misfit) -> FloatArray:
        """Variance per component that gives n correlated points the weight they deserve."""
        return misfit.length * (misfit.relative * self.magnitude) ** 2

    def finished(self, theta: FloatArray, misfit: Misfit) -> Followed:
        jacobian = self.jacobian(theta)
        answer = covariance(jacobian)[: self.size]
        rows = self.components * self.magnitude.size
        effects: dict[str, FloatArray] = {}
        words: dict[str, str] = {}
        for group, variance, text in (
            (_NOISE, self.noise**2, "noise of the take"),
            (_MODEL, self.model_variance(misfit), "what the model does not follow"),
        ):
            share = np.tile(np.sqrt(variance / self.variance), self.components)
            own = _principal(answer @ (jacobian[:rows] * share[:, None]).T)
            effects |= {f"{group}:{k}": effect for k, effect in enumerate(own, start=1)}
            words |= {f"{group}:{k}": text for k in range(1, len(own) + 1)}
        for source, row in zip(self.columns, jacobian[rows:], strict=True):
            # The prior says zero where the error is one: the row is off by minus one.
            effects[source] = -(answer @ row)
            words[source] = self.words[source]
        raw = self.raw(theta)
        return Followed(
            theta=theta[: self.size],
            effects=effects,
            sources=words,
            model_ohm=self.data + raw,
            residual_rms_relative=float(np.sqrt(np.mean((np.abs(raw) / self.magnitude) ** 2))),
            freedom=misfit.freedom,
        )


def _principal(effects: FloatArray) -> list[FloatArray]:
    """Few independent unit errors with the covariance of many, shape (p, m) to at most p."""
    size = np.sqrt(np.sum(effects**2, axis=1))
    size = np.where(size > 0, size, 1.0)
    left, singular, _ = np.linalg.svd(effects / size[:, None], full_matrices=False)
    return [
        size * left[:, k] * singular[k]
        for k in range(singular.size)
        if singular[k] ** 2 > 1e-12 * float(np.sum(singular**2))
    ]
