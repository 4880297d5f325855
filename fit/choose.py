"""Which model the data ask for."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

from fit import unbent
from fit.settle import Settled
from fit.solve import least_squares
from fit.take_model import DriverModel

_PRICE = {1: 6.5, 2: 8.5, 3: 13.0}
"""What a step of so many parameters has to gain in chi-square.

One that means nothing gains more in 1.1, 1.4 and 0.5 % of cases (chi-square of 1, 2, 3 degrees of
freedom); one with a gain of 25 but for noise fails to in 1, 1 and 5 % (the same with a
non-centrality of 25). Per parameter that lies between the 2 of H. Akaike (IEEE Trans. Autom.
Control 19, 1974) and the ln n of G. Schwarz (Ann. Stat. 6, 1978).
"""


def penalty(driver: DriverModel, freedom: float = math.inf) -> float:
    """What a model has to gain over an inductance and an ideal spring.

    A coil grows by sections of two parameters, or by the exponent of a power law.

    Args:
        driver: The model.
        freedom: Degrees of freedom of the variance that chi-square is reckoned with.
    """
    sections, exponent = divmod(driver.coil.size - 1, 2)
    steps = [2] * sections + [1] * exponent + [law.size for law in driver.mechanics.laws]
    return sum(_price(size, freedom) for size in steps)


def _price(size: int, freedom: float) -> float:
    """By a variance out of few points a step that means nothing gains more, as often as F says."""
    if math.isinf(freedom):
        return _PRICE[size]
    from scipy.special import chdtrc, fdtri

    return size * float(fdtri(size, freedom, 1 - chdtrc(size, _PRICE[size])))


_OVERDONE = 1.2
"""Share of the mechanical loss that laws may take; what is above one is noise of a law that takes
all of it, or an imitation of something else."""
_WORTH = 0.01
"""Change of a score that decides nothing."""
_EVALUATIONS = 15
"""A candidate that needs more to get used to the common variance has lost anyway."""


def scores(candidates: Sequence[Settled]) -> Mapping[str, float]:
    """Chi-square plus penalty of each candidate, by the name of its model.

    All candidates are judged by one variance, noise plus the model error of the candidate of
    greatest penalised likelihood; a model error that repeats itself over several points weighs
    less by as much, so that structure which no candidate follows decides nothing. A candidate
    whose coil imitates the resonance, or whose laws mean something else, is left out, unless all
    do.

    Args:
        candidates: At least one, fitted to the same takes.
    """
    admissible = [c for c in candidates if _admissible(c)] or list(candidates)
    likeliest = min(admissible, key=lambda c: c.deviance + penalty(c.problem.driver, c.freedom))
    reference, freedom = likeliest.scatter, likeliest.freedom
    found = {}
    for candidate in admissible:
        trial = candidate.problem.weighted(reference)
        solution = least_squares(
            trial.residual,
            trial.jacobian,
            candidate.theta,
            tolerance=1e-6,
            worth=_WORTH,
            evaluations=_EVALUATIONS,
        )
        # A mismatch of the inputs is no reason for a larger model, which would follow it otherwise.
        found[trial.driver.name] = unbent.cost(trial, solution.values) + penalty(
            trial.driver, freedom
        )
    return found


def _admissible(candidate: Settled) -> bool:
    driver, theta = candidate.problem.driver, candidate.theta
    laws = theta[driver.law_columns]
    damping = math.exp(theta[3] - theta[2])  # 1/Qms
    return (
        not swallows_motion(candidate)
        and driver.mechanics.plausible(laws)
        and driver.mechanics.loss(laws) <= _OVERDONE * damping
    )


def swallows_motion(candidate: Settled) -> bool:
    """True where a section of the coil model imitates the resonance.

    A bridged inductor whose corner lies below half the resonance, with a resistance that shows
    (5 % of Re), is no eddy current: those begin near the resonance of a tweeter and far above
    that of a woofer.
    """
    problem, theta = candidate.problem, candidate.theta
    found = problem.driver.coil.reported(theta[problem.driver.coil_columns])
    w0, Re = math.exp(theta[2]), math.exp(theta[0])
    resistances = {name: value for name, (value, _) in found.items() if name.startswith("R")}
    return any(
        value / found[f"L{name[1:]}"][0] < 0.5 * w0 and value > 0.05 * Re
        for name, value in resistances.items()
    )
