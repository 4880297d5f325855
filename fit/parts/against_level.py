"""An inductor at several levels: saturation of its core."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from fit.parts.part_fit import PartFit
from fit.results.result import Estimate
from meas.errors import Finding

_SHOWN = 0.01
"""Relative change of L below which nobody hears or heeds it (common practice, no source)."""


@dataclass(frozen=True)
class AtLevel:
    """L at one level of drive.

    Attributes:
        level_db: Peak at the source input re full scale [dB]; None where it is not known.
        change: L over L at the lowest level, minus one.
        uncertainty: Standard uncertainty of the change, errors common to both cancelled.
    """

    source: str
    level_db: float | None
    change: float
    uncertainty: float


def across_levels(
    fits: Sequence[tuple[str, float | None, PartFit]],
) -> tuple[tuple[AtLevel, ...], tuple[Finding, ...]]:
    """Follow L over level, the lowest first, and say what its change means.

    Args:
        fits: Name, level [dB] and fit of each take, the lowest level first.
    """
    first = fits[0][2].parameters["L"]
    found = tuple(
        AtLevel(source, level, *_change(first, fit.parameters["L"])) for source, level, fit in fits
    )
    return found, tuple(filter(None, [_hint(found)]))


def _change(before: Estimate, after: Estimate) -> tuple[float, float]:
    if before is after:
        return 0.0, 0.0
    change = after.change_from(before, scope="sitting")
    return after.value / before.value - 1, change.standard_uncertainty


def _hint(levels: Sequence[AtLevel]) -> Finding | None:
    last = max(levels[1:], key=lambda at: abs(at.change), default=None)
    if last is None or abs(last.change) < max(_SHOWN, 2 * last.uncertainty):
        return None
    where = "" if last.level_db is None else f" at {last.level_db:.0f} dB re full scale"
    way = "falls" if last.change < 0 else "rises"
    meaning = (
        "its core saturates: distortion comes with it. Use a larger core or an air coil where "
        "the level is high"
        if last.change < 0
        else "its core is iron or ferrite, whose permeability grows with small fields; higher up "
        "it will saturate and fall. Measure at the level that it will work at"
    )
    return Finding(
        "level-dependent",
        f"L {way} by {100 * abs(last.change):.1f} % (standard uncertainty "
        f"{100 * last.uncertainty:.1g} %){where} against the lowest level: {meaning}",
    )
