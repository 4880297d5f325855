"""Which model the data ask for."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from fit.numerics.least_squares import least_squares
from fit.problem import shape_errors
from fit.problem.settle import Settled
from fit.problem.take_model import DriverModel

FloatArray = NDArray[np.float64]

_PRICE = {1: 7.5, 2: 10.0, 3: 13.0}
"""What a step of so many parameters has to gain in chi-square.

One that means nothing gains more in 0.6, 0.7 and 0.5 % of cases (chi-square of 1, 2, 3 degrees of
freedom); one with a gain of 25 but for noise fails to in 1, 2 and 5 % (the same with a
non-centrality of 25). Per parameter that lies between the 2 of H. Akaike (IEEE Trans. Autom.
Control 19, 1974) and the ln n of G. Schwarz (Ann. Stat. 6, 1978).
"""


def penalty(driver: DriverModel, freedom: float = math.inf) -> float:
    """What a model has to gain over an inductance and an ideal spring.

    A coil grows by sections of two parameters, or by the exponent of a power law. A former beside
    a ladder is a section of it that brakes as well, one parameter more.

    Args:
        driver: The model.
        freedom: Degrees of freedom of the variance that chi-square is reckoned with.
    """
    sections, exponent = divmod(driver.coil.size - 1, 2)
    steps = [2] * sections + [1] * exponent
    for law in driver.mechanics.laws:
        steps += [2, 1] if law is driver.mechanics.former and not exponent else [law.size]
    return sum(_price(size, freedom) for size in steps)


def _price(size: int, freedom: float) -> float:
    """By a variance out of few points a step that means nothing gains more, as often as F says."""
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
"""A candidate that needs more to get used to the common variance has lost anyway."""


@dataclass(frozen=True, eq=False)
class Ranking:
    """Candidates in order, and by what.

    Attributes:
        candidates: Best first.
        scores: Name of each model that counts to chi-square plus what it is asked for.
        likeliest: The one of them by whose scatter all are judged.
    """

    candidates: Sequence[Settled]
    scores: Mapping[str, float]
    likeliest: Settled

    def score(self, candidate: Settled) -> float:
        """What a candidate is ranked by; infinite where it does not count."""
        return self.scores.get(candidate.problem.driver.name, math.inf)

    def doubt(self, candidate: Settled) -> float:
        """What it is as a rival by, where the least is the most probable.

        What a larger model is asked for because the points are few or a section of its coil small
        makes it no less probable: it is not believed, but it may be so. Readings that scatter are
        too few to show what `_PRICE` asks for, and a coil whose loss they do not show is not free
        of it: there each parameter makes a model less probable by ln n (G. Schwarz 1978).
        """
        driver = candidate.problem.driver
        likely = penalty(driver)
        if self.likeliest.scatters:
            rows = sum(take.components * take.data.size for take in candidate.problem.takes)
            likely = len(driver.columns) * math.log(rows)
        return self.score(candidate) - _asked(candidate, self.likeliest.freedom) + likely


class Contest:
    """Candidates against each other; what was judged under one variance is not judged again."""

    def __init__(self) -> None:
        self._known: dict[tuple[Settled, Settled], float] = {}

    def ranked(self, candidates: Sequence[Settled]) -> Ranking:
        """The candidates by chi-square plus what their models are asked for.

        All are judged by one variance, noise plus the model error of the candidate of greatest
        penalised likelihood; a model error that repeats itself over several points weighs less by
        as much, so that structure which no candidate follows decides nothing. A candidate whose
        coil imitates the resonance or a resistance, or whose laws mean something else, comes last
        and does not count, unless all do.

        Args:
            candidates: At least one, fitted to the same takes.
        """
        admissible = [c for c in candidates if _admissible(c)] or list(candidates)
        likeliest = min(admissible, key=criterion)
        reference, freedom = likeliest.scatter, likeliest.freedom
        scores = {}
        for candidate in admissible:
            pair = (candidate, likeliest)
            if pair not in self._known:
                self._known[pair] = _chi_square(candidate, reference)
            scores[candidate.problem.driver.name] = self._known[pair] + _asked(candidate, freedom)
        ranked = sorted(candidates, key=lambda c: scores.get(c.problem.driver.name, math.inf))
        return Ranking(ranked, scores, likeliest)


def criterion(candidate: Settled) -> float:
    """Penalised likelihood of a candidate under its own variance, admissible or not."""
    return candidate.deviance + _asked(candidate, candidate.freedom)


def _asked(candidate: Settled, freedom: float) -> float:
    return penalty(candidate.problem.driver, freedom) + _rarity(candidate)


def _chi_square(candidate: Settled, variance: list[FloatArray]) -> float:
    """The least that a model reaches under a variance from where it is."""
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


def _admissible(candidate: Settled) -> bool:
    driver, theta = candidate.problem.driver, candidate.theta
    laws = theta[driver.law_columns]
    damping = math.exp(theta[3] - theta[2])  # 1/Qms
    return (
        not _imitates(candidate)
        and driver.mechanics.plausible(laws)
        and driver.mechanics.loss(laws) <= _OVERDONE * damping
    )


def _imitates(candidate: Settled) -> bool:
    """True where a section of the coil model imitates the resonance, or a resistance.

    A bridged inductor whose corner lies below half the resonance, with a resistance that shows
    (5 % of Re), is no eddy current: those begin near the resonance of a tweeter and far above
    that of a woofer. One whose corner lies below all measured frequencies is to them a part of Re
    in series with a capacitance, which no coil has.
    """
    problem, theta = candidate.problem, candidate.theta
    w0, Re = math.exp(theta[2]), math.exp(theta[0])
    lowest = min(abs(take.s[0]) for take in problem.takes)
    return any(
        R / L < lowest or (R / L < 0.5 * w0 and R > 0.05 * Re) for L, R in _sections(candidate)
    )


def _rarity(candidate: Settled) -> float:
    """What sections of the coil have to gain beyond their price because they are small.

    Minus twice the logarithm of the probability beforehand of one as small, if below `_USUAL` no
    share of Re is likelier than another. What a section finds in mere noise, at whichever corner,
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
