"""Intervals by Monte Carlo where linear propagation does not suffice (JCGM 101:2008).

Every error that the budget holds is drawn from its distribution, rectangular where it was stated
by limits, the takes are made anew with it and fitted again. What the refits miss the known truth
by is what the fit may miss the unknown one by.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np

from fit.numerics.covariance import covariance
from fit.problem.joint_problem import Problem
from fit.problem.misfit import correlation
from fit.problem.reported import Extremes, derived
from fit.problem.settle import Settled
from fit.results.result import Z95
from fit.uncertainty.budget import Budget
from fit.uncertainty.replicates import Replicates, refitted
from meas.curve import FloatArray

DRAWS = 1000
"""Refits for a 95 % interval: its ends are then the 25th of each side, known to a fifth of the
distance between neighbours in standard uncertainties (common practice, no source)."""
CURVED = 0.25
"""Relative departure of chi-square from a parabola, two standard uncertainties out, from which an
interval by linear propagation is not believed: 0.25 is 12 % of its half-width."""
_REACH = 2.0
_SEED = 20
"""Seed of the random numbers: the same fit gives the same interval."""
_WORTH = 1e-3
"""Gain in chi-square that moves nothing by more than 3 % of its standard uncertainty."""


def curved(settled: Settled, gradients: Mapping[str, FloatArray]) -> list[str]:
    """Find quantities within whose intervals chi-square departs from a parabola.

    Linear propagation is right where the model is straight over the interval (JCGM 101:2008,
    5.10.1): two standard uncertainties along the direction in which a quantity is least certain,
    chi-square then rises by four.

    Args:
        gradients: Quantity to its derivatives by the parameters, shape (p,).
    """
    problem, theta = settled.problem, settled.theta
    C = covariance(problem.jacobian(theta))
    lowest = float(np.sum(problem.residual(theta) ** 2))
    return [
        name for name, gradient in gradients.items() if _curved(problem, theta, C, gradient, lowest)
    ]


def _curved(
    problem: Problem, theta: FloatArray, C: FloatArray, gradient: FloatArray, lowest: float
) -> bool:
    variance = float(gradient @ C @ gradient)
    if not variance > 0:
        return False
    step = _REACH * (C @ gradient) / math.sqrt(variance)
    for there in (theta - step, theta + step):
        with np.errstate(all="ignore"):
            cost = float(np.sum(problem.residual(there) ** 2))
            if not abs((cost - lowest) / _REACH**2 - 1) < CURVED:
                cost = _valley(problem, there, gradient)
        if not abs((cost - lowest) / _REACH**2 - 1) < CURVED:
            return True
    return False


def _valley(problem: Problem, theta: FloatArray, gradient: FloatArray) -> float:
    """Chi-square after a Gauss-Newton step down its valley, with the quantity held.

    A straight step leaves the floor where that bends, which says nothing against the quantity.
    """
    slopes, left = problem.jacobian(theta), problem.residual(theta)
    if not np.all(np.isfinite(slopes)) or not np.all(np.isfinite(left)):
        return math.inf
    scale = np.sqrt(np.sum(slopes**2, axis=0))
    scale = np.where(scale > 0, scale, 1.0)
    held = gradient / scale
    _, _, basis = np.linalg.svd(held[None, :] / np.linalg.norm(held))
    free = basis[1:].T  # directions in which the quantity does not change
    normal = free.T @ ((slopes / scale).T @ (slopes / scale)) @ free
    down = free.T @ ((slopes / scale).T @ left)
    step = -free @ np.linalg.lstsq(normal, down, rcond=1e-12)[0] / scale
    return min(
        float(np.sum(problem.residual(theta + share * step) ** 2)) for share in (0.0, 0.5, 1.0)
    )


def draws(settled: Settled, count: int, seed: int) -> tuple[FloatArray, Replicates]:
    """Draw true parameters of replicated benches, and what they would have measured.

    Args:
        settled: The fit that stands for the truth.

    Returns:
        Parameters with every common error and departure drawn, shape (count, p), and the data.
    """
    problem = settled.problem
    rng = np.random.default_rng(seed)
    truth = np.tile(settled.theta, (count, 1))
    for column, size in problem.departures.items():
        truth[:, column] = size * rng.standard_normal(count)
    for column in problem.error_columns.values():
        truth[:, column] = rng.uniform(-math.sqrt(3), math.sqrt(3), count)
    factor = _model_error(settled)
    first, data = 0, []
    shape = (sum(take.data.size for take in problem.takes), count)
    missed = np.zeros(shape, dtype=complex)
    if factor is not None:
        real, imaginary = rng.standard_normal(shape), rng.standard_normal(shape)
        missed = factor @ real + 1j * (factor @ imaginary)
    together = problem.modelled_together(truth)
    for take, modelled in zip(problem.takes, together, strict=True):
        total = modelled.total
        model = total if take.is_complex else np.abs(total)
        model = model * take.factor(truth[:, take.error_columns])
        n = take.data.size
        noise = rng.standard_normal((count, n)) + 1j * rng.standard_normal((count, n))
        noise = noise * take.noise + missed[first : first + n].T
        data.append(model + (noise if take.is_complex else noise.real))
        first += n
    return truth, Replicates(data, _stated_errors(problem, settled.theta, truth, rng))


def _stated_errors(
    problem: Problem, start: FloatArray, truth: FloatArray, rng: np.random.Generator
) -> FloatArray:
    """Offsets that make the rows of other measured values draws about the truth, shape (r, k).

    Such a row is at the fit's own residual plus its slope times the parameters' change; about the
    truth of a replicate it is to be a standard deviation of one.
    """
    rows = problem.rows_of_others
    slopes, left = problem.jacobian(start)[rows], problem.residual(start)[rows]
    drawn = rng.uniform(-math.sqrt(3), math.sqrt(3), (truth.shape[0], left.size))
    return np.asarray(left + (truth - start) @ slopes.T + drawn)


def _model_error(settled: Settled) -> FloatArray | None:
    """Factor that turns independent numbers into the model error of all takes [ohm], (n, n)."""
    if not any(np.any(misfit.relative) for misfit in settled.misfits):
        return None
    takes = settled.problem.takes
    matrix = correlation([t.measured.curve.frequency_hz for t in takes], settled.misfits)
    values, vectors = np.linalg.eigh(matrix)
    deviation = np.concatenate(
        [m.relative * t.magnitude for m, t in zip(settled.misfits, takes, strict=True)]
    )
    return np.asarray(deviation[:, None] * vectors * np.sqrt(np.maximum(values, 0.0)))


def where_needed(found: Budget, settled: Settled, at: Extremes) -> Budget:
    """Replace intervals for which linear propagation does not suffice by Monte Carlo ones.

    The choice of model and the few repetitions are not drawn: both widen an interval as they do a
    linear one.

    Args:
        found: Estimates by linear propagation.
    """
    names = curved(settled, found.gradients)
    if not names:
        return found
    errors = errors_of_refits(settled, at, names)
    estimates = dict(found.estimates)
    for name in names:
        estimate = estimates[name]
        high, low = np.quantile(errors[name], [0.025, 0.975]) * (-1.0, -1.0)
        choice = Z95 * found.choice[name]
        up = estimate.widening * math.hypot(max(float(high), 0.0), choice)
        down = estimate.widening * math.hypot(min(float(low), 0.0), choice)
        value, size = estimate.value, estimate.standard_uncertainty
        if estimate.logarithmic:
            limits = (value * math.exp(-down), value * math.exp(up))
            size /= value
        else:
            limits = (value - down, value + up)
        estimates[name] = replace(
            estimate,
            limits=limits,
            widening=max(estimate.widening, max(up, down) / (Z95 * size)) if size else 1.0,
        )
    return replace(found, estimates=estimates)


def errors_of_refits(settled: Settled, at: Extremes, names: Sequence[str]) -> dict[str, FloatArray]:
    """Errors of refits of replicated takes against their own truths.

    Args:
        settled: The fit that stands for the truth.

    Returns:
        Errors of each, in the logarithm or for decibels the value itself, one for every refit. One
        that is still on its way counts where it is: to leave such out would choose.
    """
    truth, replicates = draws(settled, DRAWS, _SEED)
    found, _ = refitted(settled.problem, settled.theta, replicates, worth=_WORTH)
    errors = np.zeros((DRAWS, len(names)))
    with np.errstate(all="ignore"):
        for row, (true, refit) in enumerate(zip(truth, found, strict=True)):
            seen, was = (derived(settled.problem, theta, at) for theta in (refit, true))
            for column, name in enumerate(names):
                (high, unit), (low, _) = seen[name], was[name]
                errors[row, column] = high - low if unit == "dB" else math.log(high / low)
    return dict(zip(names, errors.T, strict=True))
