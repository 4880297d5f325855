"""Choice of the model: a penalised chi-square, and who may take part."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

from fit.driver.models import SECOND
from fit.numerics.least_squares import least_squares
from fit.problem import shape_errors
from fit.problem.settle import Settled
from fit.problem.take_model import DriverModel
from meas.curve import FloatArray

_PRICE = {1: 7.5, 2: 10.0, 3: 13.0}
"""Penalty in chi-square of a step of so many parameters.

A step that means nothing gains more in 0.6, 0.7 and 0.5 % of cases (chi-square of 1, 2, 3 degrees
of freedom); one with a gain of 25 but for noise fails to in 1, 2 and 5 % (the same with a
non-centrality of 25). Per parameter that lies between the 2 of H. Akaike (IEEE Trans. Autom.
Control 19, 1974) and the ln n of G. Schwarz (Ann. Stat. 6, 1978).
"""


def penalty(driver: DriverModel, freedom: float = math.inf) -> float:
    """Penalty of a model over an inductance and an ideal spring.

    A coil grows by sections of two parameters, or by the exponent of a power law. A former beside
    a ladder is a section of it that brakes as well, one parameter more.

    Args:
        freedom: Degrees of freedom of the variance behind chi-square.
    """
    sections, exponent = divmod(driver.coil.size - 1, 2)
    steps = [2] * sections + [1] * exponent
    for law in driver.mechanics.laws:
        steps += [2, 1] if law is driver.mechanics.former and not exponent else [law.size]
    return sum(_price(size, freedom) for size in steps)


def _price(size: int, freedom: float) -> float:
    """Penalty of one step; by a variance from few points chance gains more, as often as F says."""
    if math.isinf(freedom):
        return _PRICE[size]
    from scipy.special import chdtrc, fdtri

    return size * float(fdtri(size, freedom, 1 - chdtrc(size, _PRICE[size])))


_USUAL = 0.3
"""Share of Re from which on the resistance of a coil's section is as likely as any."""
_OVERDONE = 1.2
"""Share of the mechanical loss that laws may take; what is above one is noise of a law that takes
all of it, or an imitation of something else."""
_WORTH = 0.01
"""Change of a score that decides nothing."""
_EVALUATIONS = 15
"""Evaluations after which a candidate under the common variance has lost anyway."""

BETTER = 10.0
"""Gain in the criterion from which another model is clearly better: odds of 1 to 150."""


@dataclass(frozen=True, eq=False)
class Ranking:
    """Candidates in order of their scores.

    Attributes:
        candidates: Best first.
        scores: Name of each admissible model to its chi-square plus penalty.
        likeliest: The candidate by whose scatter all are judged.
    """

    candidates: Sequence[Settled]
    scores: Mapping[str, float]
    likeliest: Settled

    def score(self, candidate: Settled) -> float:
        """Score of a candidate; lower is better, infinite where it is inadmissible."""
        return self.scores.get(candidate.problem.driver.name, math.inf)

    def doubt(self, candidate: Settled) -> float:
        """Score that sets a rival's probability; lower is more probable.

        Penalties for few points and for a small section of the coil keep a larger model from being
        chosen, but make it no less probable. Readings that scatter are too few to show what
        `_PRICE` asks for, and a coil whose loss they do not show is not free of it: there each
        parameter makes a model less probable by ln n (G. Schwarz 1978).
        """
        driver = candidate.problem.driver
        likely = penalty(driver)
        if self.likeliest.scatters:
            rows = sum(take.components * take.data.size for take in candidate.problem.takes)
            likely = len(driver.columns) * math.log(rows)
        return self.score(candidate) - _full_penalty(candidate, self.likeliest.freedom) + likely


class Contest:
    """Ranking of candidates; a chi-square found under one variance is not computed again."""

    def __init__(self) -> None:
        self._known: dict[tuple[Settled, Settled], float] = {}

    def ranked(self, candidates: Sequence[Settled]) -> Ranking:
        """Rank candidates by chi-square plus penalty.

        All are judged by one variance, noise plus the model error of the candidate of greatest
        penalised likelihood. A model error that repeats itself over several points weighs less by
        as much, so that structure which no candidate follows decides nothing. A candidate whose
        coil imitates the resonance or a resistance, or whose laws mean something else, comes last
        and has no score, unless all do.
        """
        reference = likeliest(candidates)
        scores = {c.problem.driver.name: self.score(c, reference) for c in _admissible(candidates)}
        ranked = sorted(candidates, key=lambda c: scores.get(c.problem.driver.name, math.inf))
        return Ranking(ranked, scores, reference)

    def score(self, candidate: Settled, reference: Settled) -> float:
        """Chi-square plus penalty of a candidate, by the scatter of another one."""
        pair = (candidate, reference)
        if pair not in self._known:
            self._known[pair] = _chi_square(candidate, reference.scatter)
        return self._known[pair] + _full_penalty(candidate, reference.freedom)


def likeliest(candidates: Sequence[Settled]) -> Settled:
    """Admissible candidate of greatest penalised likelihood."""
    return min(_admissible(candidates), key=criterion)


def score_as_it_stands(candidate: Settled, reference: Settled) -> float:
    """`Contest.score` before the steps to the optimum under that scatter, which lower it."""
    trial = candidate.problem.weighted(reference.scatter)
    cost = shape_errors.cost(trial, candidate.theta)
    return cost + _full_penalty(candidate, reference.freedom)


def without_second(ranking: Ranking) -> tuple[Ranking, Settled | None]:
    """The ranking without models of a second resonance, and the best of these if there are any.

    Such a model is no driver in free air: it only shows that the takes are not of one.
    """

    def is_one(candidate: Settled) -> bool:
        return candidate.problem.driver.mechanics.beside is SECOND

    kept = [c for c in ranking.candidates if not is_one(c)]
    scores = {
        name: ranking.scores[name]
        for name in (c.problem.driver.name for c in kept)
        if name in ranking.scores
    }
    second = next(filter(is_one, ranking.candidates), None)
    return replace(ranking, candidates=kept, scores=scores), second


def with_frame_if_clear(ranking: Ranking, alone: Ranking) -> Ranking:
    """The ranking of all where a frame that moves is clearly better, else that of the rest.

    Beside a law of the suspension a frame can stand for nearly any Qms: where the takes do not ask
    for one it must neither be chosen nor count as a rival.
    """
    best = ranking.candidates[0]
    if best.problem.driver.mechanics.beside is None:
        return alone
    behind = min(ranking.score(other) for other in alone.candidates) - ranking.score(best)
    return ranking if behind >= BETTER else alone


def criterion(candidate: Settled) -> float:
    """Penalised deviance of a candidate under its own variance, admissible or not."""
    return candidate.deviance + _full_penalty(candidate, candidate.freedom)


def _full_penalty(candidate: Settled, freedom: float) -> float:
    """Penalty of a candidate, small sections of its coil included."""
    return penalty(candidate.problem.driver, freedom) + _rarity(candidate)


def _chi_square(candidate: Settled, variance: list[FloatArray]) -> float:
    """Least chi-square of a candidate under a variance, from its own optimum."""
    trial = candidate.problem.weighted(variance)
    solution = least_squares(
        trial.residual,
        trial.jacobian,
        candidate.theta,
        tolerance=1e-6,
        worth=_WORTH,
        evaluations=_EVALUATIONS,
    )
    # A mismatch of the inputs is no reason for a larger model, which would follow it otherwise.
    return shape_errors.cost(trial, solution.values)


def _admissible(candidates: Sequence[Settled]) -> Sequence[Settled]:
    """Those of the candidates whose parts are what their names say; all if none is."""
    return [candidate for candidate in candidates if _means_itself(candidate)] or candidates


def _means_itself(candidate: Settled) -> bool:
    driver, theta = candidate.problem.driver, candidate.theta
    laws = theta[driver.law_columns]
    damping = math.exp(theta[3] - theta[2])  # 1/Qms
    return (
        imitating_section(candidate) is None
        and driver.mechanics.plausible(laws)
        and driver.mechanics.loss(laws) <= _OVERDONE * damping
    )


def imitating_section(candidate: Settled) -> tuple[float, float] | None:
    """Corner [Hz] and resistance [ohm] of a coil section that imitates the resonance or Re.

    A bridged inductor whose corner lies below half the resonance, with a resistance that shows
    (5 % of Re), is no eddy current: those begin near the resonance of a tweeter and far above
    that of a woofer. One whose corner lies below all measured frequencies is to them a part of Re
    in series with a capacitance, which no coil has.
    """
    problem, theta = candidate.problem, candidate.theta
    w0, Re = math.exp(theta[2]), math.exp(theta[0])
    lowest = min(abs(take.s[0]) for take in problem.takes)
    for L, R in _sections(candidate):
        if R / L < lowest or (R / L < 0.5 * w0 and R > 0.05 * Re):
            return R / L / (2 * math.pi), R
    return None


def _rarity(candidate: Settled) -> float:
    """Penalty of small sections of the coil beyond that of their parameters.

    Minus twice the logarithm of the prior probability of one as small, if below `_USUAL` no share
    of Re is likelier than another. What a section finds in mere noise, at whichever corner,
    is a thousandth of Re; it would open Re by several times its uncertainty.
    """
    Re = math.exp(candidate.theta[0])
    return sum(-2 * math.log(min(R / (_USUAL * Re), 1.0)) for _, R in _sections(candidate))


def _sections(candidate: Settled) -> list[tuple[float, float]]:
    """Inductance [H] and resistance [ohm] of each section of the coil."""
    driver = candidate.problem.driver
    found = driver.coil.reported(candidate.theta[driver.coil_columns])
    return [
        (found[f"L{name[1:]}"][0], value)
        for name, (value, _) in found.items()
        if name.startswith("R")
    ]
