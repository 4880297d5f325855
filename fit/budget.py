"""From the solution of a least-squares problem to estimates with their split of variance.

With C = (J'J)^-1 the variance of a quantity of gradient g is the exact sum over sources k of
|J_k C g|^2, J_k being the rows of the source (JCGM 102:2011, 6.2.1.3, for independent inputs).
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from fit.derived import Extremes, derived
from fit.misfit import Misfit
from fit.problem import Problem
from fit.result import Estimate

FloatArray = NDArray[np.float64]

_STEP = 1e-5
_DECIBEL = 10 / math.log(10)
_NEGLIGIBLE = 1e-12
"""Share of a group's variance below which one of its components is left out."""


@dataclass(frozen=True, eq=False)
class Budget:
    """Estimates and the words for their sources.

    Attributes:
        estimates: Symbol to estimate.
        sources: Error source to its description.
    """

    estimates: Mapping[str, Estimate]
    sources: Mapping[str, str]


def covariance(jacobian: FloatArray) -> FloatArray:
    """(J'J)^-1, shape (p, p), by singular values of the column-scaled Jacobian."""
    scale = np.sqrt(np.sum(jacobian**2, axis=0))
    scale = np.where(scale > 0, scale, 1.0)
    _, singular, right = np.linalg.svd(jacobian / scale, full_matrices=False)
    inverse = (right.T / np.maximum(singular, 1e-12 * singular[0])) / scale[:, None]
    return np.asarray(inverse @ inverse.T)


def estimates(
    problem: Problem, theta: FloatArray, misfits: Sequence[Misfit], at: Extremes, freedom: float
) -> Budget:
    """All reported parameters with signed contributions of every error source.

    Args:
        problem: The fitted problem, with its variances settled.
        theta: Its solution, shape (p,).
        misfits: Model error of each take.
        at: Frequencies of the extremes.
        freedom: Degrees of freedom of the repeatability.
    """
    jacobian = problem.jacobian(theta)
    C = covariance(jacobian)
    values = derived(problem, theta, at)
    names = list(values)
    gradients = _gradients(problem, theta, at, names)  # (q, p), of the logarithm
    effect = gradients @ C  # (q, p)
    parts: dict[str, FloatArray] = {}
    sources: dict[str, str] = {}
    noise: list[FloatArray] = []
    model: list[FloatArray] = []
    for index, rows in enumerate(problem.rows):
        block = jacobian[rows.first : rows.last]
        if index < len(problem.takes):
            take = problem.takes[index]
            share = take.noise**2 / problem.variance[index]
            both = np.concatenate([share, share]) if take.is_complex else share
            noise.append(block * np.sqrt(both)[:, None])
            model.append(block * np.sqrt(1 - both)[:, None])
        elif rows.source == "random:model":
            model.append(block)
        else:
            parts[rows.source] = rows.sign * (effect @ block.T)[:, 0]
            sources[rows.source] = rows.text
    for group, blocks, text in (
        ("random:noise", noise, "noise of the takes"),
        ("random:model", model, "what the model does not follow"),
    ):
        for number, column in enumerate(_components(effect @ np.concatenate(blocks).T), start=1):
            parts[f"{group}:{number}"] = column
            sources[f"{group}:{number}"] = text
    degrees = {"random:model": min(m.freedom for m in misfits), "random:repeatability": freedom}
    found = {}
    for row, name in enumerate(names):
        value, unit = values[name]
        scale = 1.0 if unit == "dB" else value
        contributions = {
            source: float(column[row] * scale)
            for source, column in parts.items()
            if column[row] != 0.0
        }
        found[name] = Estimate(
            value=value,
            unit=unit,
            contributions=contributions,
            logarithmic=unit != "dB",
            frequency_hz=at.inductance if name == "Le" else None,
            widening=_widening(contributions, degrees),
        )
    return Budget(found, sources)


def _gradients(
    problem: Problem, theta: FloatArray, at: Extremes, names: Sequence[str]
) -> FloatArray:
    """Derivatives of the logarithm (of the value itself for decibels) by the parameters."""
    gradients = np.zeros((len(names), theta.size))
    for column in range(theta.size):
        step = np.zeros(theta.size)
        step[column] = _STEP
        up, down = derived(problem, theta + step, at), derived(problem, theta - step, at)
        for row, name in enumerate(names):
            (high, unit), (low, _) = up[name], down[name]
            change = high - low if unit == "dB" else math.log(high / low)
            gradients[row, column] = change / (2 * _STEP)
    return gradients


def _components(effects: FloatArray) -> list[FloatArray]:
    """Few independent unit errors with the same covariance as many: principal components."""
    size = np.sqrt(np.sum(effects**2, axis=1))
    size = np.where(size > 0, size, 1.0)
    left, singular, _ = np.linalg.svd(effects / size[:, None], full_matrices=False)
    left = left * size[:, None]
    total = float(np.sum(singular**2))
    return [
        left[:, k] * singular[k]
        for k in range(singular.size)
        if singular[k] ** 2 > _NEGLIGIBLE * total
    ]


def _widening(contributions: Mapping[str, float], degrees: Mapping[str, float]) -> float:
    """Student's 97.5 % point over the normal one, degrees after Welch and Satterthwaite.

    JCGM 100:2008, G.4.1; sources without stated degrees of freedom count as certain.
    """
    from scipy.special import stdtrit

    total = sum(part * part for part in contributions.values())
    uncertain = 0.0
    for group, freedom in degrees.items():
        variance = sum(
            part * part for source, part in contributions.items() if source.startswith(group)
        )
        uncertain += variance**2 / freedom
    if uncertain <= 0 or total <= 0:
        return 1.0
    return max(1.0, float(stdtrit(total**2 / uncertain, 0.975)) / 1.959964)
