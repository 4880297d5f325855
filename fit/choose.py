"""Which voice-coil model the data ask for."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

from fit.settle import Settled
from fit.solve import least_squares

PENALTY = 5.0
"""What each further parameter has to gain in chi-square.

One that means nothing gains more in 2.5 % of cases (chi-square with one degree of freedom above
5.0), one with an expected gain of 25 fails to in 0.3 %. It lies between the 2 of H. Akaike (IEEE
Trans. Autom. Control 19, 1974) and the ln n of G. Schwarz (Ann. Stat. 6, 1978).
"""


_OVERDONE = 1.2
"""Share of the mechanical loss that laws may take; what is above one is noise of a law that takes
all of it, or an imitation of something else."""
_EVALUATIONS = 15
"""A candidate that needs more to get used to the common variance has lost anyway."""


def scores(candidates: Sequence[Settled]) -> Mapping[str, float]:
    """Chi-square plus penalty of each candidate, by the name of its model.

    All candidates are judged by one variance, noise plus the model error of the candidate of
    greatest likelihood; a model error that repeats itself over several points weighs less by
    as much, so that structure which no candidate follows decides nothing. A candidate whose
    coil imitates the resonance, or whose laws mean something else, is left out, unless all do.

    Args:
        candidates: At least one, fitted to the same takes.
    """
    admissible = [c for c in candidates if _admissible(c)] or list(candidates)
    reference = min(admissible, key=lambda c: c.deviance).scatter
    found = {}
    for candidate in admissible:
        trial = candidate.problem.weighted(reference)
        cost = least_squares(
            trial.residual, trial.jacobian, candidate.theta, evaluations=_EVALUATIONS
        ).cost
        found[trial.driver.name] = cost + PENALTY * len(trial.driver.columns)
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
