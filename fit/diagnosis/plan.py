"""What targets say about the parts of a driver, and how far the measured parts are from it."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from fit.results.judge import Target, Verdict, verdict
from fit.results.result import Z95, Estimate


@dataclass(frozen=True)
class Planned:
    """A part as it was meant.

    Attributes:
        target: Value with limits, stated or derived.
        because: Symbols of the stated targets it was derived from; empty where it is stated.
    """

    target: Target
    because: tuple[str, ...] = ()


@dataclass(frozen=True)
class Deviation:
    """Logarithm of a measured product of powers over the same as planned.

    Attributes:
        log: The deviation, 0 where as planned.
        reach: Of its 95 % interval, to either side.
        allowed: What the limits of the plan allow, to either side (the wider side).
    """

    log: float
    reach: float
    allowed: float

    @property
    def excluded(self) -> bool:
        """Whether neither uncertainty nor the limits explain it."""
        return abs(self.log) > self.reach + self.allowed

    @property
    def factor(self) -> float:
        """Measured over planned."""
        return math.exp(self.log)


def planned_parts(
    targets: Iterable[Target], parameters: Mapping[str, Estimate]
) -> dict[str, Planned]:
    """The parts as meant: stated, or derived from stated resonance, Qs and the other parts.

    Limits of a derived part are those at which the quantity it is derived from would meet its own
    limit, all else as planned. Definitions: A. N. Thiele 1971, R. H. Small 1972.

    Args:
        targets: Stated.
        parameters: The fit; its Qms serves where Qts is a target and Qms is not.
    """
    by = {target.parameter: target for target in targets}
    plan: dict[str, Planned] = {
        p: Planned(by[p]) for p in ("Re", "Le", "Bl", "Mms", "Cms", "Rms", "Sd") if p in by
    }
    fs = by.get("fs")
    for part, other in (("Cms", "Mms"), ("Mms", "Cms")):
        if fs and part not in plan and other in plan and not plan[other].because:
            # Falls with the square of the resonance at the other part as planned.
            scale = 1 / ((2 * math.pi) ** 2 * plan[other].target.target)
            plan[part] = Planned(_power(part, fs, scale, -2.0), ("fs",))
    if fs is None or "Mms" not in plan:
        return plan
    inertia = 2 * math.pi * fs.target * plan["Mms"].target.target
    if "Qms" in by and "Rms" not in plan:
        plan["Rms"] = Planned(_power("Rms", by["Qms"], inertia, -1.0), ("Qms",))
    electrical, because = _electrical(by, parameters)
    if electrical and "Bl" not in plan and "Re" in plan:
        scale = math.sqrt(inertia * plan["Re"].target.target)
        plan["Bl"] = Planned(_power("Bl", electrical, scale, -0.5), because)
    return plan


def deviation(
    powers: Mapping[str, float], parameters: Mapping[str, Estimate], plan: Mapping[str, Target]
) -> Deviation | None:
    """Deviation of a product of powers, such as Bl over Re; None where a factor is not known.

    Args:
        powers: Symbol to exponent.
        parameters: Measured.
        plan: Symbol to target.
    """
    if not all(symbol in parameters and symbol in plan for symbol in powers):
        return None
    measured = Estimate.product(((parameters[s], power) for s, power in powers.items()), "1")
    meant = math.prod(plan[symbol].target ** power for symbol, power in powers.items())
    relative = measured.standard_uncertainty / measured.value
    return Deviation(
        math.log(measured.value / meant),
        Z95 * measured.widening * relative,
        sum(abs(power) * _reach_of_limits(plan[symbol]) for symbol, power in powers.items()),
    )


def outside(
    symbol: str,
    parameters: Mapping[str, Estimate],
    plan: Mapping[str, Planned],
    stated: Iterable[Verdict],
) -> bool:
    """Whether a part lies surely outside its plan.

    A derived plan alone accuses nobody: one of the stated targets behind it must be missed too.
    """
    if symbol not in plan or symbol not in parameters:
        return False
    planned = plan[symbol]
    if verdict(parameters[symbol], planned.target).verdict != "outside":
        return False
    missed = {v.target.parameter for v in stated if v.verdict == "outside"}
    return not planned.because or bool(missed & set(planned.because))


def _electrical(
    by: Mapping[str, Target], parameters: Mapping[str, Estimate]
) -> tuple[Target | None, tuple[str, ...]]:
    """The target of Qes, stated or from Qts; 1/Qts = 1/Qms + 1/Qes."""
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
    """The target of scale times a falling power of another target's value."""

    def through(value: float | None) -> float | None:
        return None if value is None else scale * value**power

    return Target(part, scale * of.target**power, through(of.upper), through(of.lower))


def _reach_of_limits(target: Target) -> float:
    return max(
        abs(math.log(end / target.target))
        for end in (target.lower, target.upper)
        if end is not None
    )
