"""From the solution of a least-squares problem to estimates with their split of variance.

With C = (J'J)^-1 a quantity of gradient g answers to errors e of the rows by g C J' e, so that its
variance is the sum over sources k of |J_k C g|^2, J_k being the rows of the source (JCGM
102:2011, 6.2.1.3, for independent inputs). Rows whose errors are larger or smaller than their
weights say, as those of a curve that the model follows here better than there, count with their
own.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from fit.numerics.covariance import covariance, principal_components
from fit.problem.joint_problem import Problem
from fit.problem.misfit import Misfit, correlation
from fit.problem.reported import Extremes, derived
from fit.problem.settle import Settled
from fit.results.result import Z95, Estimate
from fit.uncertainty.rivals import Rival, choice_effect

FloatArray = NDArray[np.float64]

_STEP = 1e-5
_CHOICE = "random:model:choice"
_POSSIBLE = 0.02
"""Probability from which a rival's own uncertainty counts."""
_UNKNOWN = 2.0
"""Relative standard uncertainty of what the takes do not tell: no number is given for it."""


@dataclass(frozen=True, eq=False)
class Budget:
    """Estimates and the words for their sources.

    Attributes:
        estimates: Symbol to estimate.
        sources: Error source to its description.
        leverages: Error source to the part of its stated variance that the takes leave it, 0 to 1.
        gradients: Symbol to the derivatives of its logarithm (of the value itself for decibels)
            by the parameters, shape (p,).
        choice: Symbol to what the choice of model does to it, in the same sense.
    """

    estimates: Mapping[str, Estimate]
    sources: Mapping[str, str]
    leverages: Mapping[str, float]
    gradients: Mapping[str, FloatArray]
    choice: Mapping[str, float]


def estimates(settled: Settled, rivals: Sequence[Rival], at: Extremes, freedom: float) -> Budget:
    """All reported parameters with signed contributions of every error source.

    Args:
        settled: The fit.
        rivals: Other models, which show how far a misfit moves the parameters.
        at: Frequencies of the extremes.
        freedom: Degrees of freedom of the repeatability.
    """
    problem, theta, misfits = settled.problem, settled.theta, settled.misfits
    jacobian = problem.jacobian(theta)
    C = covariance(jacobian)
    values = derived(problem, theta, at)
    names = list(values)
    gradients = _gradients(problem, theta, at, names)  # (q, p), of the logarithm
    effect = gradients @ C  # (q, p)
    parts: dict[str, FloatArray] = {}
    sources: dict[str, str] = {}
    leverages: dict[str, float] = {}
    noise: list[FloatArray] = []
    weak = np.zeros((len(names), 0))
    considered = problem.shape_error_effects(theta)
    for index, rows in enumerate(problem.rows):
        block = jacobian[rows.first : rows.last]
        if index < len(problem.takes):
            take = problem.takes[index]
            noise.append(_scaled(block, take.noise / np.sqrt(problem.variance[index])))
        elif rows.source == "random:model":
            weak = effect @ block.T
        elif rows.source in considered:
            # Data too high by J_b pull the estimate by +C J' J_b.
            parts[rows.source] = effect @ (jacobian.T @ considered[rows.source])
            sources[rows.source] = rows.text
        else:
            parts[rows.source] = rows.sign * (effect @ block.T)[:, 0]
            sources[rows.source] = rows.text
            leverages[rows.source] = float(block[0] @ C @ block[0])
    model = _model_effects(problem, effect, jacobian, misfits)
    missed = "what the model does not follow"
    if not any(misfit.structured for misfit in misfits) and problem.of_readings:
        missed = "scatter of the readings"
    noisy = effect @ np.concatenate(noise).T
    known = np.sum(np.column_stack([noisy, model, weak, *parts.values()]) ** 2, axis=1)
    more = _more_open(settled, rivals, at, names, np.sum(effect * gradients, axis=1))
    moved = choice_effect(settled, rivals, at, values, known, more)
    for group, effects, text in (
        ("random:noise", noisy, "noise of the takes"),
        ("random:model", np.column_stack([model, weak]), missed),
    ):
        for number, column in enumerate(principal_components(effects), start=1):
            parts[f"{group}:{number}"] = column
            sources[f"{group}:{number}"] = text
    parts[_CHOICE], sources[_CHOICE] = moved, "the choice of the model"
    told: tuple[str, ...] = ("random:model",)
    if any(take.measured.of_readings for take in problem.takes):
        # The digits of a reading say the least it is uncertain by. The residuals told the rest as
        # what they are beyond it: the sum is as uncertain as they are, whatever the digits say.
        told = ("random:noise", "random:model")
    degrees = {told: min(m.freedom for m in misfits), ("random:repeatability",): freedom}
    found = {}
    for row, name in enumerate(names):
        value, unit = values[name]
        scale = 1.0 if unit == "dB" else value
        contributions = {
            source: float(column[row] * scale)
            for source, column in parts.items()
            if column[row] != 0.0
        }
        if unit != "dB" and math.hypot(*contributions.values()) > _UNKNOWN * value:
            continue
        found[name] = Estimate(
            value=value,
            unit=unit,
            contributions=contributions,
            logarithmic=unit != "dB",
            frequency_hz=at.inductance if name == "Le" else None,
            widening=widening(contributions, degrees),
        )
    for name in list(found):
        # Half a section of a ladder says nothing.
        other = {"L": "R", "R": "L"}.get(name[0], "") + name[1:]
        if name[1:].isdigit() and name != "L1" and other not in found:
            del found[name]
    kept = {name: row for row, name in enumerate(names) if name in found}
    return Budget(
        found,
        sources,
        leverages,
        {name: gradients[row] for name, row in kept.items()},
        {name: abs(float(moved[row])) for name, row in kept.items()},
    )


def _scaled(block: FloatArray, weight: FloatArray) -> FloatArray:
    """Rows of one take times a factor per point; complex data have two rows per point."""
    return block * np.tile(weight, block.shape[0] // weight.size)[:, None]


def _model_effects(
    problem: Problem, effect: FloatArray, jacobian: FloatArray, misfits: Sequence[Misfit]
) -> FloatArray:
    """Effects of independent unit errors that together have the covariance of the model error.

    Returns:
        Shape (q, k).
    """
    real, imaginary = [], []
    for index, take in enumerate(problem.takes):
        rows, n = problem.rows[index], take.data.size
        deviation = misfits[index].relative * take.magnitude
        block = jacobian[rows.first : rows.last]
        scaled = _scaled(block, deviation / np.sqrt(problem.variance[index]))
        real.append(scaled[:n])
        imaginary.append(scaled[n:] if take.is_complex else np.zeros_like(scaled))
    if not any(np.any(misfit.relative) for misfit in misfits):
        return np.zeros((effect.shape[0], 0))
    matrix = correlation([t.measured.curve.frequency_hz for t in problem.takes], misfits)
    total = np.zeros((effect.shape[0],) * 2)
    for component in (real, imaginary):
        answer = effect @ np.concatenate(component).T
        total += answer @ matrix @ answer.T
    values, vectors = np.linalg.eigh(total)
    return np.asarray(vectors * np.sqrt(np.maximum(values, 0.0)))


def _more_open(
    settled: Settled, rivals: Sequence[Rival], at: Extremes, names: Sequence[str], own: FloatArray
) -> FloatArray:
    """Variances of the values by the rivals beyond those by the model itself, shape (r, q)."""
    more = np.zeros((len(rivals), len(names)))
    for row, rival in enumerate(rivals):
        if rival.probability < _POSSIBLE:
            continue
        problem, theta = rival.settled.problem, rival.settled.theta
        given = derived(problem, theta, at)
        common = [name for name in names if name in given]
        gradients = _gradients(problem, theta, at, common)
        its = np.sum((gradients @ covariance(problem.jacobian(theta))) * gradients, axis=1)
        places = [names.index(name) for name in common]
        more[row, places] = np.maximum(its - own[places], 0.0)
    return more


def _gradients(
    problem: Problem, theta: FloatArray, at: Extremes, names: Sequence[str]
) -> FloatArray:
    """Derivatives of the logarithm (of the value itself for decibels) by the parameters."""
    gradients = np.zeros((len(names), theta.size))
    # A departure of one take from the reference state moves nothing that is reported of it.
    departures = {column for take in problem.takes for column in take.departures.values()}
    for column in set(range(theta.size)) - departures:
        step = np.zeros(theta.size)
        step[column] = _STEP
        up, down = derived(problem, theta + step, at), derived(problem, theta - step, at)
        for row, name in enumerate(names):
            (high, unit), (low, _) = up[name], down[name]
            change = high - low if unit == "dB" else math.log(high / low)
            gradients[row, column] = change / (2 * _STEP)
    return gradients


def widening(contributions: Mapping[str, float], degrees: Mapping[tuple[str, ...], float]) -> float:
    """Student's 97.5 % point over the normal one, degrees after Welch and Satterthwaite.

    JCGM 100:2008, G.4.1; sources without stated degrees of freedom count as certain.

    Args:
        contributions: By source.
        degrees: Of groups of sources, by what their names begin with.
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
    return max(1.0, float(stdtrit(total**2 / uncertain, 0.975)) / Z95)
