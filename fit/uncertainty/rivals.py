"""Rival models of the same takes, and the uncertainty that the choice among them leaves."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from fit.problem.reported import Extremes, derived
from fit.problem.settle import Settled
from fit.results.result import Z95
from fit.search.choose import Ranking
from meas.curve import FloatArray

_WIDEST = 3.0
"""How much wider a rival's interval may count than ours; one that leaves a value far more open, in
a valley that is not straight, tells that it does not know it (common practice, no source)."""
_MAIN = frozenset({"Re", "fs", "Qms", "Qes", "Mms", "Vas"})


@dataclass(frozen=True, eq=False)
class Rival:
    """Another model of the same takes.

    Attributes:
        probability: Probability that this model is the better one.
    """

    settled: Settled
    probability: float


def rivals_of(best: Settled, ranking: Ranking) -> list[Rival]:
    """Rank the other candidates, each with its probability by the criterion beside the best.

    One that the criterion left out, because its coil imitates the resonance, is no rival.
    """
    found = []
    for other in ranking.candidates:
        if other is best or math.isinf(ranking.score(other)):
            continue
        behind = float(np.clip(ranking.doubt(other) - ranking.doubt(best), -60.0, 60.0))
        found.append(Rival(other, 1 / (1 + _odds(behind, ranking.likeliest.freedom))))
    return found


def _odds(behind: float, freedom: float) -> float:
    """Odds for the better of two models, the other being behind by so much in chi-square.

    By Student's law instead of the normal one where the variance comes from few points.
    """
    if math.isinf(freedom):
        return math.exp(behind / 2)
    power: float = (1 + abs(behind) / freedom) ** (freedom / 2)
    return power if behind > 0 else 1 / power


def choice_effect(
    settled: Settled,
    rivals: Sequence[Rival],
    at: Extremes,
    values: Mapping[str, tuple[float, str]],
    known: FloatArray,
    more: FloatArray,
) -> FloatArray:
    """Standard uncertainty by the choice of model, shape (q,): the larger of two.

    What the models differ by, mixed by their probabilities (J. Hoeting et al., Statist. Sci. 14,
    1999): a standard uncertainty that makes the 95 % interval as wide as that of the mixture.

    And what a misfit gives away: two models that miss the curve differ in their parameters by
    about what the worse of them is wrong. The better is taken to be wrong by as much times the
    square root of the ratio of their misfits, where the residual need not show it: what is told
    beyond the band, as Re is, gets better more slowly than the curve does (common practice, no
    source; in proportion to the misfit, Re of coils of two power laws was covered in 60 % of drawn
    benches). A rival of many more parameters, which has lost in spite of them, tells nothing of
    the kind, nor does scatter from point to point. Of several rivals the one counts that moves the
    main parameters most: nested models share most of what they are wrong by.

    Args:
        values: Symbol to value and unit.
        known: Variance of each value by all other sources, shape (q,).
        more: Excess of each rival's variances, shape (r, q).
    """
    if not rivals:
        return np.zeros(len(values))
    changes = np.array([_change(settled, rival.settled, at, values) for rival in rivals])
    probabilities = np.array([rival.probability for rival in rivals])
    mixed = _mixed(changes, probabilities, known, more)
    main = [row for row, name in enumerate(values) if name in _MAIN]
    misled = max(
        (
            change * _share(settled, rival.settled)
            for change, rival in zip(changes, rivals, strict=True)
        ),
        key=lambda effect: float(np.linalg.norm(effect[main])),
    )
    return np.where(np.abs(mixed) > np.abs(misled), mixed, misled)


def _mixed(
    changes: FloatArray, probabilities: FloatArray, known: FloatArray, more: FloatArray
) -> FloatArray:
    """Standard uncertainty beside the known one for the 95 % interval of a mixture, shape (q,).

    Args:
        changes: Values by each rival minus ours, shape (r, q).
        probabilities: Probability of each rival against ours alone, shape (r,).
        known: Variance of each value by our model, shape (q,).
        more: Excess of each rival's variances, shape (r, q).
    """
    from scipy.special import ndtr

    odds = probabilities / np.maximum(1 - probabilities, 1e-12)
    shares = odds / (1 + np.sum(odds))
    size = np.sqrt(np.maximum(known, 1e-24))
    away = np.abs(changes) / size
    wide = np.minimum(np.sqrt(1 + more / size**2), _WIDEST)
    low, high = np.full(known.size, Z95), np.max(away + Z95 * wide, axis=0)
    for _ in range(40):
        reach = (low + high) / 2
        inside = (1 - np.sum(shares)) * (2 * ndtr(reach) - 1) + shares @ (
            ndtr((reach - away) / wide) - ndtr((-reach - away) / wide)
        )
        low, high = np.where(inside < 0.95, reach, low), np.where(inside < 0.95, high, reach)
    added = size * np.sqrt(np.maximum((high / Z95) ** 2 - 1, 0.0))
    return np.asarray(np.copysign(added, shares @ changes))


def _share(settled: Settled, other: Settled) -> float:
    """Share of the change to another model that the misfit of ours accounts for."""
    own, its = (len(fit.problem.driver.columns) for fit in (settled, other))
    if its > own + 1 or not any(misfit.structured for misfit in settled.misfits):
        return 0.0
    return min(1.0, math.sqrt(settled.misfit / max(other.misfit, 1e-12)))


def _change(
    settled: Settled, other: Settled, at: Extremes, values: Mapping[str, tuple[float, str]]
) -> FloatArray:
    """Values by another model minus ours, in logarithms or decibels, shape (q,)."""
    change = np.zeros(len(values))
    others = derived(other.problem, other.theta, at)
    coil, other_coil = (fit.problem.driver.coil for fit in (settled, other))
    # L2 of another ladder is another inductor.
    of_coil = {} if other_coil is coil else coil.reported(coil.typical)
    for row, (name, (value, unit)) in enumerate(values.items()):
        if name in others and name not in of_coil:
            its = others[name][0]
            change[row] = its - value if unit == "dB" else math.log(its / value)
    return change
