"""Uncertainty budget: from a solution to estimates with their variance split by source.

With C = (J'J)^-1 errors e of the rows move a quantity of gradient g by g C J' e. Its variance is
the sum over sources k of |J_k C g|^2, J_k being the rows of the source (JCGM 102:2011, 6.2.1.3,
for independent inputs). Rows whose errors are larger or smaller than their
weights say, as those of a curve that the model follows here better than there, count with their
own.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from fit.numerics.covariance import covariance, principal_components
from fit.problem.joint_problem import Problem
from fit.problem.misfit import Misfit, correlation
from fit.problem.reported import Extremes, derived
from fit.problem.settle import Settled
from fit.results.error_sources import MODEL, NOISE, REPEATED
from fit.results.result import Z95, Estimate
from fit.uncertainty.rivals import Rival, choice_effect
from meas.curve import FloatArray

_STEP = 1e-5
_CHOICE = f"{MODEL}:choice"
_POSSIBLE = 0.02
"""Probability from which a rival's own uncertainty counts."""
_UNKNOWN = 2.0
"""Relative standard uncertainty beyond which the takes do not determine a value: none is given."""


@dataclass(frozen=True, eq=False)
class Budget:
    """Estimates with the error sources behind them.

    Attributes:
        leverages: Error source to the part of its stated variance that the takes leave it, 0 to 1.
        gradients: Symbol to the derivatives of its logarithm (of the value itself for decibels)
            by the parameters, shape (p,).
        choice: Symbol to the standard uncertainty by the choice of model, in the same sense.
    """

    estimates: Mapping[str, Estimate]
    sources: Mapping[str, str]
    leverages: Mapping[str, float]
    gradients: Mapping[str, FloatArray]
    choice: Mapping[str, float]


@dataclass(eq=False)
class _Effects:
    """Effects of unit errors of every source on q quantities, in logarithms or decibels.

    Attributes:
        parts: Source to effect, shape (q,).
        leverages: As in `Budget`.
    """

    parts: dict[str, FloatArray]
    sources: dict[str, str]
    leverages: dict[str, float]

    def add(self, source: str, text: str, effect: FloatArray) -> None:
        self.parts[source], self.sources[source] = effect, text

    def add_group(self, group: str, text: str, effects: FloatArray) -> None:
        """Add many random errors, shape (q, m), as their principal components."""
        for number, effect in enumerate(principal_components(effects), start=1):
            self.add(f"{group}:{number}", text, effect)


def estimates(settled: Settled, rivals: Sequence[Rival], at: Extremes, freedom: float) -> Budget:
    """Estimate all reported parameters with signed contributions of every error source.

    Args:
        rivals: Other models, which show how far a misfit moves the parameters.
        freedom: Degrees of freedom of the repeatability.
    """
    problem, theta, misfits = settled.problem, settled.theta, settled.misfits
    jacobian = problem.jacobian(theta)
    C = covariance(jacobian)
    values = derived(problem, theta, at)
    names = list(values)
    slopes = gradients(problem, theta, at, names)  # (q, p), of the logarithm
    effect = slopes @ C  # (q, p)
    found = _stated_effects(problem, theta, jacobian, C, effect)
    noise = _noise_effects(problem, effect, jacobian)
    model = _model_effects(problem, effect, jacobian, misfits)
    weak = effect @ _block(problem, jacobian, MODEL).T
    known = np.sum(np.column_stack([noise, model, weak, *found.parts.values()]) ** 2, axis=1)
    more = _more_open(rivals, at, names, np.sum(effect * slopes, axis=1))
    moved = choice_effect(settled, rivals, at, values, known, more)
    found.add_group(NOISE, "noise of the takes", noise)
    found.add_group(MODEL, _missed(settled), np.column_stack([model, weak]))
    found.add(_CHOICE, "the choice of the model", moved)
    reported = _identified(_estimates(values, found.parts, at, _degrees(settled, freedom)))
    rows = {name: row for row, name in enumerate(names) if name in reported}
    return Budget(
        reported,
        found.sources,
        found.leverages,
        {name: slopes[row] for name, row in rows.items()},
        {name: abs(float(moved[row])) for name, row in rows.items()},
    )


def _stated_effects(
    problem: Problem, theta: FloatArray, jacobian: FloatArray, C: FloatArray, effect: FloatArray
) -> _Effects:
    """Effects of every error with a name: of the bench, of stated values, of single takes."""
    found = _Effects({}, {}, {})
    of_shape = problem.shape_error_effects(theta)
    for rows in problem.rows[len(problem.takes) :]:
        block = jacobian[rows.first : rows.last]
        if rows.source == MODEL:
            continue
        if rows.source in of_shape:
            # Data too high by J_b pull the estimate by +C J' J_b.
            found.add(rows.source, rows.text, effect @ (jacobian.T @ of_shape[rows.source]))
        else:
            found.add(rows.source, rows.text, rows.sign * (effect @ block.T)[:, 0])
            found.leverages[rows.source] = float(block[0] @ C @ block[0])
    return found


def _block(problem: Problem, jacobian: FloatArray, source: str) -> FloatArray:
    """Rows of the Jacobian that stand for a source."""
    rows = next(rows for rows in problem.rows if rows.source == source)
    return jacobian[rows.first : rows.last]


def _noise_effects(problem: Problem, effect: FloatArray, jacobian: FloatArray) -> FloatArray:
    """Effects of the noise of every point, shape (q, m)."""
    blocks = [
        _scaled(jacobian[rows.first : rows.last], take.noise / np.sqrt(variance))
        for take, rows, variance in zip(problem.takes, problem.rows, problem.variance, strict=False)
    ]
    return effect @ np.concatenate(blocks).T


def _missed(settled: Settled) -> str:
    """The model error in words."""
    if settled.problem.of_readings and not any(m.structured for m in settled.misfits):
        return "scatter of the readings"
    return "what the model does not follow"


def _degrees(settled: Settled, freedom: float) -> dict[tuple[str, ...], float]:
    """Degrees of freedom of groups of sources, by what their names begin with."""
    model: tuple[str, ...] = (MODEL,)
    if any(take.measured.of_readings for take in settled.problem.takes):
        # The digits of a reading say the least it is uncertain by; the residuals show the rest as
        # what lies beyond: the sum is as uncertain as they are, whatever the digits say.
        model = (NOISE, MODEL)
    return {model: min(m.freedom for m in settled.misfits), (REPEATED,): freedom}


def _estimates(
    values: Mapping[str, tuple[float, str]],
    parts: Mapping[str, FloatArray],
    at: Extremes,
    degrees: Mapping[tuple[str, ...], float],
) -> dict[str, Estimate]:
    """Estimates of what the takes determine, each from its row of the effects."""
    found = {}
    for row, (name, (value, unit)) in enumerate(values.items()):
        scale = 1.0 if unit == "dB" else value
        contributions = {
            source: float(effect[row] * scale)
            for source, effect in parts.items()
            if effect[row] != 0.0
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
    return found


def _identified(found: Mapping[str, Estimate]) -> dict[str, Estimate]:
    """Drop half sections of a ladder, which mean nothing without the other half."""
    kept = dict(found)
    for name in found:
        other = {"L": "R", "R": "L"}.get(name[0], "") + name[1:]
        if name[1:].isdigit() and name != "L1" and other not in kept:
            del kept[name]
    return kept


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
    rivals: Sequence[Rival], at: Extremes, names: Sequence[str], own: FloatArray
) -> FloatArray:
    """Variances of the values by the rivals beyond those by the model itself, shape (r, q)."""
    more = np.zeros((len(rivals), len(names)))
    for row, rival in enumerate(rivals):
        if rival.probability < _POSSIBLE:
            continue
        problem, theta = rival.settled.problem, rival.settled.theta
        given = derived(problem, theta, at)
        common = [name for name in names if name in given]
        slopes = gradients(problem, theta, at, common)
        its = np.sum((slopes @ covariance(problem.jacobian(theta))) * slopes, axis=1)
        places = [names.index(name) for name in common]
        more[row, places] = np.maximum(its - own[places], 0.0)
    return more


def gradients(
    problem: Problem,
    theta: FloatArray,
    at: Extremes,
    names: Sequence[str],
    columns: Iterable[int] | None = None,
) -> FloatArray:
    """Derivatives of logarithms (of the value itself for decibels) by the parameters.

    Args:
        theta: Parameters, shape (p,).
        columns: Parameters that they may depend on; None for all.

    Returns:
        Shape (q, p).
    """
    found = np.zeros((len(names), theta.size))
    # A departure of one take from the reference state moves no reported value.
    for column in set(columns or range(theta.size)) - set(problem.departures):
        step = np.zeros(theta.size)
        step[column] = _STEP
        up, down = derived(problem, theta + step, at), derived(problem, theta - step, at)
        for row, name in enumerate(names):
            (high, unit), (low, _) = up[name], down[name]
            change = high - low if unit == "dB" else math.log(high / low)
            found[row, column] = change / (2 * _STEP)
    return found


def widening(contributions: Mapping[str, float], degrees: Mapping[tuple[str, ...], float]) -> float:
    """Student's 97.5 % point over the normal one, degrees after Welch and Satterthwaite.

    JCGM 100:2008, G.4.1; sources without stated degrees of freedom count as certain.

    Args:
        contributions: Error source to its effect.
        degrees: Degrees of freedom of groups of sources, by what their names begin with.
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
