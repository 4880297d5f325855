"""Parameters against level: the small-signal value, and whether the coil warms.

The leading departure of a driver from its small-signal parameters is of second order in the
excursion: stiffness and force factor are power series of it, and terms of odd order change sign
with it and average out over a period (common practice, no source). So
p(u) = p0 + c u^2 with u the level. The value p0 is a weighted sum of those measured, with weights
that add up to one; each error source is carried by the same sum.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from fit.given.standards import COPPER_PER_KELVIN
from fit.results.error_sources import RANDOM, combine, named_apart
from fit.results.result import DriverFit, Estimate
from meas.errors import Finding

LAW = "random:level-law"
FOLLOWED = ("Re", "fs", "Qms", "Qes", "Qts", "Mms", "Cms", "Bl")
_MOVES = 0.005
"""Relative departure of fs at the lowest level from its extrapolation that a result should not
carry unsaid: suspensions repeat to about that (common practice, no source)."""
_WARM = 0.002
"""Relative rise of Re that is reported: half a kelvin."""


@dataclass(frozen=True, eq=False)
class AgainstLevel:
    """One parameter at several levels and at none.

    Attributes:
        levels: Increasing, in any unit proportional to volts, shape (n,).
        values: Estimates at these levels.
        small_signal: Extrapolated to level zero.
    """

    name: str
    levels: tuple[float, ...]
    values: tuple[Estimate, ...]
    small_signal: Estimate


def against_level(fits: Sequence[tuple[float, DriverFit]]) -> tuple[AgainstLevel, ...]:
    """Follow every parameter that all fits hold down to level zero.

    Args:
        fits: Level and fit of each take; at least two different levels.

    Raises:
        ValueError: If there are fewer than two different levels.
    """
    ordered = sorted(fits, key=lambda pair: pair[0])
    levels = tuple(level for level, _ in ordered)
    if len(set(levels)) < 2:
        raise ValueError("an extrapolation needs two different levels")
    names = [name for name in FOLLOWED if all(name in fit.parameters for _, fit in ordered)]
    followed = []
    for name in names:
        values = tuple(fit.parameters[name] for _, fit in ordered)
        followed.append(AgainstLevel(name, levels, values, extrapolate(levels, values)))
    return tuple(followed)


def with_moving_mass(fits: Sequence[tuple[float, DriverFit]]) -> list[tuple[float, DriverFit]]:
    """Fits that all hold Mms, Cms and Bl, as soon as one of them does: a mass knows no level.

    The mass is that of the fit at the nearest level. Cms = 1/((2 pi fs)^2 Mms) and
    Bl = sqrt(2 pi fs Mms Re/Qes) follow from it (R. H. Small, J. Audio Eng. Soc. 20(5), 1972).
    """
    weighed = [(level, fit) for level, fit in fits if "Mms" in fit.parameters]
    if not weighed:
        return list(fits)

    def completed(level: float, fit: DriverFit) -> DriverFit:
        if "Mms" in fit.parameters:
            return fit
        own = fit.parameters
        _, lender = min(weighed, key=lambda other: abs(other[0] - level))
        lent = lender.parameters["Mms"]
        # Random in the lender, but one and the same error in all that borrow.
        effects = {s.replace(RANDOM, "lent:"): e for s, e in lent.contributions.items()}
        Mms = replace(lent, contributions=effects, limits=None)
        Cms = Estimate.product([(own["fs"], -2.0), (Mms, -1.0)], "m/N", (2 * math.pi) ** -2)
        roots = [(own["fs"], 0.5), (Mms, 0.5), (own["Re"], 0.5), (own["Qes"], -0.5)]
        Bl = Estimate.product(roots, "T m", (2 * math.pi) ** 0.5)
        return replace(fit, parameters={**own, "Mms": Mms, "Cms": Cms, "Bl": Bl})

    return [(level, completed(level, fit)) for level, fit in fits]


def extrapolate(levels: Sequence[float], values: Sequence[Estimate]) -> Estimate:
    """Extrapolate to level zero by p = p0 + c u^2, weighted least squares.

    The uncertainty holds the error sources of all values, those common to all entering once, and
    the doubt of the law itself: with three levels and more the scatter about the law where that
    exceeds the noise; and always half the step from the lowest level to zero.

    Args:
        levels: In any unit proportional to volts, at least two different.
        values: The parameter at these levels.

    Returns:
        The estimate; the doubt of the law has a source of its own, `LAW`.
    """
    u = np.asarray(levels, dtype=np.float64)
    p = np.array([one.value for one in values])
    noise = np.maximum([one.random_uncertainty for one in values], 1e-9 * np.abs(p))
    law = np.stack([np.ones(u.size), (u / u.max()) ** 2], axis=1)
    design = law / noise[:, None]
    inverse = np.linalg.inv(design.T @ design)
    weights = inverse[0] @ design.T / noise
    best = float(weights @ p)
    rest = p - law @ (inverse @ design.T @ (p / noise))
    freedom = u.size - 2
    excess = 1.0
    if freedom > 0:
        excess = max(1.0, float(np.sum((rest / noise) ** 2)) / freedom)
    # What only one take has stays apart from the same name in another.
    contributions = combine(
        (float(weight), named_apart(one.contributions, f"@{index}"))
        for index, (weight, one) in enumerate(zip(weights, values, strict=True))
    )
    scatter = float(inverse[0, 0]) * (excess - 1.0)
    step = 0.5 * (float(p[int(np.argmin(u))]) - best)
    contributions[LAW] = math.hypot(step, math.sqrt(max(scatter, 0.0)))
    first = values[0]
    return Estimate(best, first.unit, contributions, first.logarithmic, first.frequency_hz)


def findings(
    followed: Sequence[AgainstLevel], in_time: Sequence[tuple[str, DriverFit]]
) -> tuple[Finding, ...]:
    """Report what moves with level, and whether the coil warmed from take to take."""
    return tuple(filter(None, [_resonance_moves(followed), coil_warming(in_time)]))


def _resonance_moves(followed: Sequence[AgainstLevel]) -> Finding | None:
    fs = next((one for one in followed if one.name == "fs"), None)
    if fs is None:
        return None
    step = fs.values[0].value / fs.small_signal.value - 1.0
    error = fs.values[0].random_uncertainty / fs.values[0].value
    if abs(step) < max(_MOVES, 2.0 * error):
        return None
    span = fs.values[-1].value / fs.values[0].value - 1.0
    return Finding(
        "level-dependent",
        f"fs still moves with level: {fs.values[0].value:.4g} Hz at {fs.levels[0]:g} of full "
        f"scale, {100 * span:+.1f} % from there to {fs.levels[-1]:g}, "
        f"and {fs.small_signal.value:.4g} Hz "
        "when extrapolated to none. The small-signal parameters need a lower level still; the "
        "others belong to theirs",
    )


def coil_warming(in_time: Sequence[tuple[str, DriverFit]]) -> Finding | None:
    """Report a rise of Re from the first take on, errors common to both cancelled."""
    pairs = [(name, fit.parameters["Re"]) for name, fit in in_time if "Re" in fit.parameters]
    if len(pairs) < 2:
        return None
    first = pairs[0][1]
    name, hottest = max(pairs[1:], key=lambda pair: pair[1].value)
    change = hottest.value / first.value - 1.0
    if change < max(_WARM, 2.0 * hottest.change_from(first, scope="sitting").standard_uncertainty):
        return None
    return Finding(
        "coil-warming",
        f"Re is {100 * change:.1f} % higher in {name} than in the first take: the coil is about "
        f"{change / COPPER_PER_KELVIN:.0f} K warmer (copper, 0.393 % per kelvin). Let it rest "
        "between takes, or drive it less; Qes rises with Re",
    )
