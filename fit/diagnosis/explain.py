"""Causes in the build for deviations from the targets, with numbers and the next step.

A cause is named only where the measured part lies beyond both its limits and its uncertainty.
Causes that the data cannot tell apart are named together, with the measurement that would.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace

from fit.diagnosis.case import Case, confidence, needed, size_of
from fit.diagnosis.causes import LOSS, OTHER_MASSES, PHYSICS, field, loss, moving_parts, suspension
from fit.diagnosis.causes import coil as coil_cause
from fit.diagnosis.known_coil import KnownCoil
from fit.diagnosis.losses import loss_law
from fit.diagnosis.part_targets import part_targets
from fit.results.judge import Target, judge
from fit.results.model_words import loss_shares
from fit.results.result import Estimate, FittedCurve
from fit.results.scaling import exponents
from meas.errors import Finding

_KNOWN_MASS = "a take with a known mass on the cone."


def explain(
    parameters: Mapping[str, Estimate],
    targets: Iterable[Target],
    coil: KnownCoil | None = None,
    curves: Sequence[FittedCurve] = (),
) -> tuple[Finding, ...]:
    """Name what keeps a driver from its targets; empty where it meets them.

    Args:
        parameters: Symbol to estimate, as in `fit.results.result.DriverFit`.
        coil: Coil as planned: gives turns, the field in the gap, and the target of Re where none is
            stated.
        curves: Fitted takes; those with masses show what kind of loss it is.

    Raises:
        UsageError: If what is known of the coil contradicts itself.
    """
    stated = list(targets)
    coil = coil or KnownCoil()
    if all(target.parameter != "Re" for target in stated):
        stated += coil.targets
    case = Case(
        parameters,
        {v.target.parameter: v for v in judge(parameters, stated)},
        part_targets(stated, parameters),
        coil,
        loss_law(curves),
        loss_shares(parameters),
    )
    parts = [*suspension(case), *moving_parts(case)]
    found = [*parts, *coil_cause(case), *field(case), *loss(case)]
    if not parts:
        found += _resonance_alone(case)
    if not {"Mms", "Bl"} <= parameters.keys():
        found += _qs_alone(case)
    return tuple(_grounded(case, finding) for finding in found or _left_over(case))


def _grounded(case: Case, finding: Finding) -> Finding:
    """A finding with its confidence and the physics that it rests on."""
    if finding.code not in PHYSICS:
        return finding
    part, physics = PHYSICS[finding.code]
    sure = confidence(case, part)
    ground = f"Rests on: {physics}{f'; {part} is {sure}' if sure else ''}."
    return replace(finding, ground=ground)


def _resonance_alone(case: Case) -> list[Finding]:
    """Name a resonance that misses its target while mass or compliance lacks a value or target."""
    if not case.missed("fs"):
        return []
    target = case.stated["fs"].target
    product = (target.target / case.parameters["fs"].value) ** 2  # of Mms Cms, over plan
    if "Mms" in case.parameters:
        return [
            Finding(
                "resonance-off",
                f"{size_of(case, 'fs')}.{needed(case)} Which of the two is off cannot be told: "
                f"{_what_would_tell(case, ('Mms', 'Cms'))}.",
            )
        ]
    spring = "stiff" if product < 1 else "soft"
    mass = "light" if product < 1 else "heavy"
    return [
        Finding(
            "mass-or-suspension",
            f"{size_of(case, 'fs')}: Mms Cms lies {100 * abs(product - 1):.0f} % "
            f"{'below' if product < 1 else 'above'} plan. Either the suspension is too "
            f"{spring} (by that much in compliance) or the moving parts are too {mass} (by that "
            "much in mass); free air cannot tell.",
            next_step=_KNOWN_MASS,
        )
    ]


def _qs_alone(case: Case) -> list[Finding]:
    """Name Qs that miss their targets by more than resonance and Re explain, the mass unknown."""
    found = []
    follow = {"fs": -1.0} if "fs" in case.stated else {}  # at one mass both Qs go as fs
    mechanical = case.deviation(Qms=1.0, **follow)
    if case.missed("Qms") and mechanical is not None and mechanical.excluded and mechanical.log < 0:
        found.append(
            Finding(
                "high-mechanical-loss",
                f"{size_of(case, 'Qms')}. With the mass as planned, Rms is "
                f"{100 * (1 / mechanical.factor - 1):.0f} % above plan: {LOSS}",
                next_step=OTHER_MASSES,
            )
        )
    if "Re" in case.stated and "Re" in case.parameters:
        follow["Re"] = -1.0
    electrical = case.deviation(Qes=1.0, **follow)
    if case.missed("Qes") and electrical is not None and electrical.excluded:
        weak = electrical.log > 0
        bl = 100 * abs(electrical.factor**-0.5 - 1)
        mass = 100 * abs(electrical.factor - 1)
        found.append(
            Finding(
                "weak-motor-or-mass" if weak else "strong-motor-or-mass",
                f"{size_of(case, 'Qes')}. Bl^2/Mms is off: either Bl lies {bl:.0f} % "
                f"{'below' if weak else 'above'} plan (turns or field), or the moving mass about "
                f"{mass:.0f} % {'above' if weak else 'below'} it; free air cannot tell.",
                next_step=_KNOWN_MASS,
            )
        )
    return found


def _left_over(case: Case) -> list[Finding]:
    """Name the missed targets when no cause was found."""
    left = [symbol for symbol in case.stated if case.missed(symbol)]
    if not left:
        return []
    parts = sorted({part for s in left for part in exponents(s, case.parameters) if part != s})
    follow = f" Parts behind it: {', '.join(parts)}; {_what_would_tell(case, parts)}."
    return [
        Finding(
            "no-cause-found",
            f"{'; '.join(size_of(case, symbol) for symbol in left)}: no single part explains it "
            f"from the targets and takes given.{follow if parts else ''}",
        )
    ]


def _what_would_tell(case: Case, parts: Sequence[str]) -> str:
    missing = [part for part in parts if part not in case.part_targets]
    if missing:
        return f"a target of {' or '.join(missing)} would help"
    unknown = [part for part in parts if part not in case.parameters]
    if unknown:
        return f"a take that gives {' or '.join(unknown)} would help"
    return "they are known too uncertainly, or each lies within its limits"
