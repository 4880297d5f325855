"""The finished box against its plan: what is off, and what to change."""

from __future__ import annotations

from dataclasses import dataclass

from fit.box.as_built import SystemFit
from fit.box.circuit import Box
from fit.box.vent import FLANGED_END, FREE_END
from fit.results.result import Estimate
from meas.errors import Finding

_TIGHT = 5.0
_ROOM = 0.02
"""Share of the tube that is not worth correcting: 1 % of the tuning is what 6 K of air do to it
(the sound speed goes with the root of the absolute temperature)."""


@dataclass(frozen=True)
class Tube:
    """The tube that is in the box.

    Attributes:
        bore: Inner diameter [m].
        length: Length as cut [m].
    """

    bore: float
    length: float


def changes(found: SystemFit, plan: Box, tube: Tube | None = None) -> tuple[Finding, ...]:
    """Say what to change for the box to become what was planned, and what is as planned already.

    Args:
        tube: The tube in the box; None where it is not known: the change is then relative.
    """
    findings = [_volume(found.parameters["Vb"], plan.volume)]
    if plan.fb is not None and "fb" in found.parameters:
        findings.append(_tuning(found.parameters["fb"], plan.fb, tube))
    if plan.fb is not None and "QL" in found.parameters:
        findings += _leak(found.parameters["QL"], plan.QL)
    return tuple(findings)


def tube_change(fb: Estimate, wished: float, tube: Tube) -> Estimate:
    """Lengthening of the tube for a wished tuning [m]; negative: shorter.

    The tuning goes with the root of one over the length of the moving air (Helmholtz resonator;
    L. L. Beranek, Acoustics, 1954), which is the tube and its ends: (L + ends) (fb/wished)^2 -
    (L + ends). The ends are taken as one free and one flanged, within a radius times the
    difference of the two either way.

    Args:
        fb: Tuning as measured.
        wished: Tuning as planned [Hz].
    """
    radius = tube.bore / 2
    plug = tube.length + (FREE_END + FLANGED_END) * radius
    growth = (fb.value / wished) ** 2 - 1
    by_tuning = plug * 2 * fb.value / wished**2
    parts = {name: by_tuning * part for name, part in fb.contributions.items()}
    parts["random:tube-ends"] = growth * (FLANGED_END - FREE_END) * radius / 3**0.5
    return Estimate(plug * growth, "m", parts, logarithmic=False, widening=fb.widening)


def _between(measured: Estimate, planned: float) -> bool:
    low, high = measured.interval_95
    return low <= planned <= high


def _volume(measured: Estimate, planned: float) -> Finding:
    litres = measured.value * 1e3
    low, high = (end * 1e3 for end in measured.interval_95)
    size = f"{litres:.3g} L (95 %: {low:.3g} to {high:.3g}; planned {planned * 1e3:.3g})"
    if _between(measured, planned):
        return Finding("volume-met", f"the box acts like {size}: as planned")
    off = litres - planned * 1e3
    if off > 0:
        advice = "put something solid in, or take lining out, which makes the air seem more"
    else:
        advice = "braces and the driver take room away; lining makes the air seem more"
    side = "larger" if off > 0 else "smaller"
    return Finding(
        "volume-off", f"the box acts like {size}: {abs(off):.2g} L {side} than planned; {advice}"
    )


def _tuning(measured: Estimate, planned: float, tube: Tube | None) -> Finding:
    low, high = measured.interval_95
    size = f"{measured.value:.4g} Hz (95 %: {low:.4g} to {high:.4g}; planned {planned:.4g})"
    growth = (measured.value / planned) ** 2 - 1
    if _between(measured, planned):
        return Finding("tuning-met", f"tuned to {size}: as planned")
    if abs(growth) < _ROOM:
        return Finding(
            "tuning-met", f"tuned to {size}: as planned, within what a warmer room does to it"
        )
    if tube is None:
        side = "longer" if growth > 0 else "shorter"
        change = f"tube with its ends {100 * abs(growth):.1f} % {side}"
    else:
        to_do = tube_change(measured, planned, tube)
        side = "longer" if to_do.value > 0 else "shorter"
        a, b = (end * 1e3 for end in to_do.interval_95)
        reach = (b - a) / 2
        change = f"tube {side} by {abs(to_do.value) * 1e3:.0f} mm"
        if reach >= 0.5:
            change += f" (± {reach:.0f} mm)"
        if tube.length + to_do.value <= 0:
            return Finding(
                "tuning-off",
                f"tuned to {size}: no tube of this bore is short enough; take a wider bore",
            )
    return Finding("tuning-off", f"tuned to {size}: {change}")


def _leak(measured: Estimate, planned: float) -> list[Finding]:
    low, high = measured.interval_95
    if high >= planned or high < _TIGHT:  # below, the fit itself has spoken
        return []
    return [
        Finding(
            "more-loss",
            f"QL is {measured.value:.2g} (95 %: {low:.2g} to {high:.2g}) where {planned:.2g} was "
            "planned: lower output around the tuning",
            next_step="Look for leaks and for lining near the vent",
        )
    ]
