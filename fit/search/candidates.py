"""The models tried on the takes: coils first, then laws of suspension and former on the best.

Every start comes from the data or from a simpler model already fitted, so that a candidate costs
few steps.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from fit.driver.coils.coil import CoilModel
from fit.driver.mechanics import IDEAL, Mechanics
from fit.driver.models import CANDIDATES, COILS, FRAME, SECOND
from fit.given.measured import MeasuredCurve, Session
from fit.problem.joint_problem import Problem
from fit.problem.settle import Settled, settle
from fit.search.choose import Contest, Ranking, criterion, likeliest, score_as_it_stands
from fit.search.first_mass_or_box import start as joint_start
from fit.search.free_air import FreeState, coils_on_free_air
from fit.search.laws import SECTION_LESS, Attempt, coil_named, with_laws

_NEAR, _AS_FAR = 50.0, 20.0
"""Score, and multiple of the best one's, up to which a law might bring a coil before the best."""
_HOPELESS, _AS_HOPELESS = 50.0, 10.0
"""Rough chi-square, and multiple of the least one, beyond what the final choice could reverse."""
_BEHIND = 50.0
"""Score behind the best one's from which a model is not fitted to the end: a fit of its own weights
would bring it a few nearer, and a rival so far behind has a probability of e^-25."""

Pair = tuple[Settled, Mechanics]
"""A fit without laws, and the laws to try on it."""


@dataclass(frozen=True, eq=False)
class Takes:
    """All takes, and every coil as free air alone shows it.

    Attributes:
        free_air: Name of each coil to its fit to free air.
    """

    curves: Sequence[MeasuredCurve]
    session: Session
    free_air: Mapping[str, FreeState]

    def fitted_by(self, coil: CoilModel) -> Settled:
        """Fit a coil, without laws, to all takes."""
        problem = Problem(self.curves, self.session, coil)
        return settle(problem, joint_start(problem, self.free_air[coil.name].start))


def fitted(
    curves: Sequence[MeasuredCurve],
    session: Session,
    contest: Contest,
    wanted: tuple[CoilModel, Mechanics] | None = None,
) -> list[Settled]:
    """Fit every plausible model to all takes, plus the one requested by name.

    Args:
        curves: At least one in free air.
        wanted: Coil and laws of the model requested, fitted whatever the data say.
    """
    takes = Takes(curves, session, coils_on_free_air(curves, session))
    found = coils_on_all_takes(takes)
    coils = contest.ranked(found)
    near = _near_the_best(coils)
    tried: set[Pair] = set()

    def try_all(pairs: Sequence[Pair]) -> list[Settled]:
        """Try laws that were not tried before on the same coil."""
        new = [pair for pair in dict.fromkeys(pairs) if pair not in tried]
        tried.update(new)
        return settled_in_turn([with_laws(*pair) for pair in new], found, contest)

    found += try_all([*laws_on_the_best_coil(coils), *formers_beside_other_coils(coils, near)])
    leaders = _leaders_with_laws(found, contest)
    found += try_all(laws_of_leaders_on_other_coils(leaders, near))
    if leaders:
        leaders.append(contest.ranked(found).candidates[0])
    for leader in leaders:
        found += settled_in_turn(coil_it_grew_from(leader, found, takes), found, contest)
    beside = try_all(what_moves_beside_the_cone(coils, contest.ranked(found).candidates[0]))
    found += beside
    first = contest.ranked(found).candidates[0]
    if any(first is one for one in beside):
        found += try_all(laws_of_leaders_on_other_coils([first], near))
    if wanted is not None:
        found += model_requested(*wanted, found, takes)
    return _one_of_each_name(found)


def settled_in_turn(
    attempts: Sequence[Attempt], found: Sequence[Settled], contest: Contest
) -> list[Settled]:
    """Fit attempts to the end, the most promising first, but for those far behind the best by then.

    A law that gains nothing, and one that comes far behind, remain rivals as they are: their
    parameters are possible.

    Args:
        found: Candidates so far.
    """
    done = [attempt.rough for attempt in attempts if not attempt.gains]
    left = [attempt for attempt in attempts if attempt.gains]
    settled: list[Settled] = []
    while left:
        best = likeliest([*found, *settled])
        limit = contest.score(best, best) + _BEHIND
        stands = {attempt: score_as_it_stands(attempt.rough, best) for attempt in left}
        left.sort(key=stands.__getitem__)
        near = (
            place
            for place, attempt in enumerate(left)
            if stands[attempt] < limit or contest.score(attempt.rough, best) < limit
        )
        first = next(near, len(left))
        done += [attempt.rough for attempt in left[:first]]
        settled += [attempt.settled() for attempt in left[first : first + 1]]
        left = left[first + 1 :]
    return settled + done


def coils_on_all_takes(takes: Takes) -> list[Settled]:
    """Fit the two coils that follow free air best, and all that come near them, to all takes."""
    states = takes.free_air
    ranked = sorted(states, key=lambda name: states[name].cost)
    limit = _HOPELESS + _AS_HOPELESS * states[ranked[0]].cost
    worth = [name for place, name in enumerate(ranked) if place < 2 or states[name].cost < limit]
    return [takes.fitted_by(coil) for coil in COILS if coil.name in worth]


def _near_the_best(coils: Ranking) -> list[Settled]:
    """Coils behind the best that a law might bring before it."""
    best, *others = coils.candidates
    limit = _NEAR + _AS_FAR * coils.score(best)
    return [other for other in others if coils.score(other) < limit]


def laws_on_the_best_coil(coils: Ranking) -> list[Pair]:
    """Every law on the best coil."""
    return [(coils.candidates[0], law) for law in CANDIDATES]


def formers_beside_other_coils(coils: Ranking, near: Sequence[Settled]) -> list[Pair]:
    """Closed formers beside other coils, which may be the better ones there.

    A ring is part of the coil: the best coil without one need not be the best beside one, and a
    large one may be the ring that a small one lacks.
    """
    best = coils.candidates[0]
    size = best.problem.driver.coil.size
    return [
        (other, law)
        for other in near
        if best.leaves_structure or other.problem.driver.coil.size < size
        for law in CANDIDATES
        if law.former is not None
    ]


def what_moves_beside_the_cone(coils: Ranking, best: Settled) -> list[Pair]:
    """A frame that moves, and a second resonance, where something is left to explain.

    A slow give of the suspension may be a frame that moves below fs: there its compliance rises
    too, but comes back. Where the best model leaves structure over, either may be beside its law.

    Args:
        coils: All coils without laws.
    """
    coil = coils.candidates[0]
    suspension = best.problem.driver.mechanics.suspension
    if not best.leaves_structure:
        return [] if suspension is None else [(coil, Mechanics(beside=FRAME))]
    return [
        (coil, Mechanics(suspension=law, beside=beside))
        for law in dict.fromkeys((None, suspension))
        for beside in (FRAME, SECOND)
    ]


def _leaders_with_laws(found: Sequence[Settled], contest: Contest) -> list[Settled]:
    """Best and likeliest models so far, those of them that have laws.

    The likeliest may be inadmissible for a section that its coil needed in place of its law.
    Where the best one leaves structure over, what it lacks any of those ahead of it may have.
    """
    best = contest.ranked(found).candidates[0]
    likely = sorted(found, key=criterion)
    ahead = likely[: likely.index(best)]
    leaders = [best, *(ahead if best.leaves_structure else ahead[:1])]
    return [leader for leader in leaders if leader.problem.driver.mechanics is not IDEAL]


def laws_of_leaders_on_other_coils(
    leaders: Sequence[Settled], near: Sequence[Settled]
) -> list[Pair]:
    """Other coils with a law for which a flexible coil may have stood in."""
    laws = dict.fromkeys(leader.problem.driver.mechanics for leader in leaders)
    return [(other, law) for law in laws for other in near]


def coil_it_grew_from(leader: Settled, found: Sequence[Settled], takes: Takes) -> list[Attempt]:
    """Try the leader's laws on the coil that its own grew from, unless they were.

    Without the law that coil may have been too poor to be fitted at all.
    """
    driver = leader.problem.driver
    known = {candidate.problem.driver.name for candidate in found}
    if driver.coil.grows_from is None or driver.coil.grows_from + driver.mechanics.name in known:
        return []
    simpler = coil_named(driver.coil.grows_from)
    return [with_laws(takes.fitted_by(simpler), driver.mechanics, simpler)]


def model_requested(
    coil: CoilModel, mechanics: Mechanics, found: Sequence[Settled], takes: Takes
) -> list[Settled]:
    """Fit the model requested by name, from every coil that it may be reached from."""
    if mechanics is IDEAL:
        known = {candidate.problem.driver.name for candidate in found}
        return [] if coil.name in known else [takes.fitted_by(coil)]
    reached = [coil.name]
    if mechanics.former is not None:
        reached += [name for name, simpler in SECTION_LESS.items() if simpler == coil.name]
    return [
        with_laws(takes.fitted_by(coil_named(name)), mechanics, coil).settled() for name in reached
    ]


def _one_of_each_name(candidates: Sequence[Settled]) -> list[Settled]:
    """Likeliest candidate of each name: a ladder and a ring reach one model from two coils."""
    found: dict[str, Settled] = {}
    for candidate in candidates:
        name = candidate.problem.driver.name
        if name not in found or candidate.deviance < found[name].deviance:
            found[name] = candidate
    return list(found.values())
