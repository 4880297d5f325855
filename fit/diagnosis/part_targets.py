"""Targets of a driver's parts, stated or implied by other targets, and the deviations from them."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from fit.results.judge import Target, Verdict, verdict
from fit.results.result import Z95, Estimate


@dataclass(frozen=True)
class PartTarget:
    """Target of one part.

    Attributes:
        target: Value with limits, stated or derived.
        derived_from: Symbols of the stated targets that imply it; empty where it is stated.
    """

    target: Target
    derived_from: tuple[str, ...] = ()


@dataclass(frozen=True)
class Deviation:
    """Logarithm of a product of powers as measured over the same by the targets.

    Attributes:
        log: The deviation, 0 on target.
        reach: Half-width of its 95 % interval.
        allowed: Deviation that the limits of the targets allow (on the wider side).
    """

    log: float
    reach: float
    allowed: float

    @property
    def excluded(self) -> bool:
        """Tell whether neither the uncertainty nor the limits explain the deviation."""
        return abs(self.log) > self.reach + self.allowed

    @property
    def factor(self) -> float:
        """Measured value over target."""
        return math.exp(self.log)


def part_targets(
    targets: Iterable[Target], parameters: Mapping[str, Estimate]
) -> dict[str, PartTarget]:
    """Collect the targets of the parts: stated ones, and those that resonance and Qs imply.

    Limits of an implied target are those at which the quantity that implies it would meet its own
    limit, all else on target. Definitions: A. N. Thiele 1971, R. H. Small 1972.

    Args:
        parameters: Estimates of the fit; its Qms serves where Qts is a target and Qms is not.
    """
    by = {target.parameter: target for target in targets}
    found: dict[str, PartTarget] = {
        p: PartTarget(by[p]) for p in ("Re", "Le", "Bl", "Mms", "Cms", "Rms", "Sd") if p in by
    }
    fs = by.get("fs")
    for part, other in (("Cms", "Mms"), ("Mms", "Cms")):
        if fs and part not in found and other in found and not found[other].derived_from:
            # Falls with the square of the resonance, the other part on target.
            scale = 1 / ((2 * math.pi) ** 2 * found[other].target.target)
            found[part] = PartTarget(_power(part, fs, scale, -2.0), ("fs",))
    if fs is None or "Mms" not in found:
        return found
    inertia = 2 * math.pi * fs.target * found["Mms"].target.target
    if "Qms" in by and "Rms" not in found:
        found["Rms"] = PartTarget(_power("Rms", by["Qms"], inertia, -1.0), ("Qms",))
    electrical, derived_from = _electrical(by, parameters)
    if electrical and "Bl" not in found and "Re" in found:
        scale = math.sqrt(inertia * found["Re"].target.target)
        found["Bl"] = PartTarget(_power("Bl", electrical, scale, -0.5), derived_from)
    return found


def deviation(
    powers: Mapping[str, float], parameters: Mapping[str, Estimate], targets: Mapping[str, Target]
) -> Deviation | None:
    """Deviation of a product of powers, such as Bl over Re; None where a factor is not known.

    Args:
        powers: Symbol to exponent.
        targets: Symbol to target.
    """
    if not all(symbol in parameters and symbol in targets for symbol in powers):
        return None
    measured = Estimate.product(((parameters[s], power) for s, power in powers.items()), "1")
    meant = math.prod(targets[symbol].target ** power for symbol, power in powers.items())
    relative = measured.standard_uncertainty / measured.value
    return Deviation(
        math.log(measured.value / meant),
        Z95 * measured.widening * relative,
        sum(abs(power) * _reach_of_limits(targets[symbol]) for symbol, power in powers.items()),
    )


def outside(
    symbol: str,
    parameters: Mapping[str, Estimate],
    targets: Mapping[str, PartTarget],
    stated: Iterable[Verdict],
) -> bool:
    """Tell whether a part surely misses its target.

    An implied target alone accuses nobody: one of the stated targets behind it must be missed too.
    """
    if symbol not in targets or symbol not in parameters:
        return False
    target = targets[symbol]
    if verdict(parameters[symbol], target.target).verdict != "outside":
        return False
    missed = {v.target.parameter for v in stated if v.verdict == "outside"}
    return not target.derived_from or bool(missed & set(target.derived_from))


def _electrical(
    by: Mapping[str, Target], parameters: Mapping[str, Estimate]
) -> tuple[Target | None, tuple[str, ...]]:
    """Target of Qes, stated or implied by Qts, with 1/Qts = 1/Qms + 1/Qes."""
    if "Qes" in by:
        return by["Qes"], ("Qes",)
    if "Qts" not in by:
        return None, ()
    Qms = by["Qms"].target if "Qms" in by else None
    if Qms is None and "Qms" in parameters:
        Qms = parameters["Qms"].value
    ends = (by["Qts"].target, by["Qts"].lower, by["Qts"].upper)
    if Qms is None or by["Qts"].target >= Qms:
        return None, ()
    # A total Q at or above Qms cannot be reached by any Qes: no limit on that side.
    middle, low, high = (
        None if end is None or end >= Qms else 1 / (1 / end - 1 / Qms) for end in ends
    )
    if middle is None or (low is None and high is None):
        return None, ()
    return Target("Qes", middle, low, high), ("Qts",)


def _power(part: str, of: Target, scale: float, power: float) -> Target:
    """Target of scale times a falling power of another quantity."""

    def through(value: float | None) -> float | None:
        return None if value is None else scale * value**power

    return Target(part, scale * of.target**power, through(of.upper), through(of.lower))


def _reach_of_limits(target: Target) -> float:
    return max(
        abs(math.log(end / target.target))
        for end in (target.lower, target.upper)
        if end is not None
    )
