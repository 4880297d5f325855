"""One driver against the targets of its parts, and the sentences about its deviations."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field

from fit.diagnosis.known_coil import KnownCoil
from fit.diagnosis.losses import LossLaw
from fit.diagnosis.part_targets import Deviation, PartTarget, deviation, outside
from fit.results.judge import Target, Verdict
from fit.results.quantities import QUANTITIES, capitalised, spoken, with_interval
from fit.results.result import Estimate
from fit.results.scaling import exponents

_MENDED = ("fs", "Qts")
"""Quantities stated for the driver with one part alone mended."""


@dataclass(frozen=True)
class Case:
    """Knowledge about one driver and its targets.

    Attributes:
        stated: Symbol to verdict on its stated target.
        part_targets: Targets of the parts, stated or implied.
        coil: Facts about the coil as planned.
        law: Loss against frequency; None where the takes do not show it.
        shares: Share of the loss that each law of the fitted model takes, by its name.
    """

    parameters: Mapping[str, Estimate]
    stated: Mapping[str, Verdict]
    part_targets: Mapping[str, PartTarget]
    coil: KnownCoil
    law: LossLaw | None = None
    shares: Mapping[str, float] = field(default_factory=dict)

    def outside(self, part: str) -> bool:
        """Tell whether a part surely misses its target."""
        return outside(part, self.parameters, self.part_targets, self.stated.values())

    def deviation(self, **powers: float) -> Deviation | None:
        """Deviation of a product of powers; None where a factor has no value or no target."""
        targets = {symbol: v.target for symbol, v in self.stated.items()}
        targets |= {part: aim.target for part, aim in self.part_targets.items()}
        return deviation(powers, self.parameters, targets)

    def missed(self, symbol: str) -> bool:
        """Tell whether a stated target is surely missed."""
        return symbol in self.stated and self.stated[symbol].verdict == "outside"


def ratio(case: Case, part: str) -> float:
    """Measured value of a part over its target."""
    return case.parameters[part].value / case.part_targets[part].target.target


def size(case: Case, part: str) -> str:
    """``compliance Cms is 38 % below plan (0.43 mm/N ..., planned 0.7 mm/N)``."""
    aim = case.part_targets[part]
    derived = f", by the target of {aim.derived_from[0]}" if aim.derived_from else ""
    return _apart(part, case.parameters[part], aim.target, derived)


def confidence(case: Case, part: str) -> str:
    """State how surely a part lies beyond its limits; empty where it has no target."""
    if part not in case.parameters or part not in case.part_targets:
        return ""
    estimate, target = case.parameters[part], case.part_targets[part].target
    spread = estimate.standard_uncertainty
    ends = [end for end in (target.lower, target.upper) if end is not None]
    if spread <= 0 or not ends:
        return ""
    beyond = min(abs(estimate.value - end) for end in ends) / spread
    count = "more than 100" if beyond > 100 else f"{beyond:.2g}"
    return f"beyond its limit by {count} standard uncertainties"


def size_of(case: Case, symbol: str) -> str:
    """The sentence of `size` for a stated target of any quantity."""
    return _apart(symbol, case.parameters[symbol], case.stated[symbol].target, "")


def _apart(symbol: str, estimate: Estimate, target: Target, derived: str) -> str:
    quantity, name = QUANTITIES[symbol], spoken(symbol)
    if quantity.unit == "dB":
        size = f"{abs(estimate.value - target.target):.1f} dB"
    else:
        size = f"{100 * abs(estimate.value / target.target - 1):.0f} %"
    side = "above" if estimate.value > target.target else "below"
    return (
        f"{capitalised(name)} is {size} {side} plan "
        f"({with_interval(symbol, estimate)}; planned {quantity.text(target.target)}{derived})"
    )


def needed(case: Case, part: str = "Cms") -> str:
    """State what one part must become for fs to meet its target, the other one as measured."""
    other = {"Cms": "Mms", "Mms": "Cms"}[part]
    if not case.missed("fs") or other not in case.parameters:
        return ""
    wished = case.stated["fs"].target.target
    held = case.parameters[other].value
    value = 1 / ((2 * math.pi * wished) ** 2 * held)
    verb = "rose" if value > case.parameters[part].value else "fell"
    name = QUANTITIES[part].name
    return (
        f" At this {QUANTITIES[other].name}, fs would be {QUANTITIES['fs'].text(wished)} if "
        f"{name} {verb} to {QUANTITIES[part].text(value)}."
    )


def mended(case: Case, part: str, with_too: str = "") -> str:
    """State fs and Qts of the driver with one part (or two of one cause) on target."""
    parts = [p for p in (part, with_too) if p]
    if not {"fs", "Qms", "Qes"} <= case.parameters.keys() or any(
        p not in case.part_targets for p in parts
    ):
        return ""
    log = {p: -math.log(ratio(case, p)) for p in parts}
    values = {}
    for symbol in ("fs", "Qms", "Qes"):
        powers = exponents(symbol, case.parameters)
        change = sum(powers.get(p, 0.0) * log[p] for p in parts)
        values[symbol] = case.parameters[symbol].value * math.exp(change)
    values["Qts"] = 1 / (1 / values["Qms"] + 1 / values["Qes"])
    values_then = ", ".join(f"{s} {QUANTITIES[s].text(values[s])}" for s in _MENDED)
    return f" With {' and '.join(parts)} alone as planned: {values_then}."
