"""A crossover judged: crossings, least load, stress of parts, and what to mind."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np

from fit.crossover.budget import Disturbed, crossing, disturbed, estimate, minimum
from fit.crossover.network import (
    Branch,
    BranchSolution,
    NetworkSolution,
    Stress,
    crossings,
    grid,
    least_load,
    solve,
    stresses,
)
from fit.crossover.protection import protection
from fit.driver.elements.quantity import rounded
from fit.results.judge import Word, decide
from fit.results.result import Estimate
from meas.curve import FloatArray
from meas.errors import Finding, Refused

_HEARD_DB = -20.0
_BOOST_DB = 1.0
_RESONANCE_DB = -12.0
"""A tweeter's resonance is kept at least this far down (common practice, no source)."""


@dataclass(frozen=True, eq=False)
class Crossing:
    """Frequency at which two drivers get the same voltage.

    Attributes:
        lower: Name of the branch that leads below.
        upper: Name of the branch that leads above.
        frequency: Their crossing [Hz].
        level_db: Both levels there, re the amplifier [dB].
    """

    lower: str
    upper: str
    frequency: Estimate
    level_db: float

    @property
    def resolved(self) -> bool:
        """Tell whether its interval stays within an octave, so that one frequency says where."""
        low, high = self.frequency.interval_95
        return high < 2 * low


@dataclass(frozen=True, eq=False)
class NetworkResult:
    """Response, load and heat of a crossover.

    Attributes:
        crossings: From low to high.
        least_load: Least |Z| that the amplifier sees.
        least_hz: Its frequency [Hz].
        verdict: How the least load stands to what the amplifier tolerates; None if not asked.
        stresses: Stress of every part, by branch, in the order of its arms; None without a drive.
        half_power_hz: Frequencies at which each branch is 3 dB below its largest level [Hz].
        moved: The network with each error source off.
    """

    solution: NetworkSolution
    crossings: tuple[Crossing, ...]
    least_load: Estimate
    least_hz: float
    verdict: Word | None
    stresses: tuple[tuple[Stress, ...], ...] | None
    half_power_hz: tuple[tuple[float, ...], ...]
    findings: tuple[Finding, ...]
    moved: tuple[Disturbed, ...]


def evaluate(
    branches: Sequence[Branch],
    *,
    drive_volt: float | None = None,
    amplifier_minimum_ohm: float | None = None,
) -> NetworkResult:
    """Compute a crossover into its measured drivers, over the band that all of them know.

    Args:
        branches: At least one, each name once.
        drive_volt: Voltage of the amplifier [V]; None leaves the stress of parts out.
        amplifier_minimum_ohm: Least load that the amplifier tolerates [ohm].

    Raises:
        Refused: ``no-common-band``.
    """
    band = shared_band(branches)
    f = grid(band)
    solution, moved = solve(branches, f), tuple(disturbed(branches, f))
    least = estimate(solution, moved, minimum, "ohm")
    if least is None:
        raise AssertionError("a load has a least value")
    least_hz = least_load(f, solution.load_ohm)[1]
    wanted = amplifier_minimum_ohm
    verdict = None if wanted is None else decide(least.interval_95, wanted, math.inf)
    stress = (
        None
        if drive_volt is None
        else tuple(tuple(stresses(one, f, drive_volt)) for one in solution.branches)
    )
    crossed = _crossings(solution, moved)
    findings = [
        *_band(branches, band),
        *_load(verdict, least, least_hz, wanted),
        *_overloaded(branches, stress),
        *_levels(solution, crossed),
        *_windings(branches),
    ]
    if len(branches) > 1 and not crossed:
        findings.append(_NO_CROSSING)
    return NetworkResult(
        solution=solution,
        crossings=crossed,
        least_load=least,
        least_hz=least_hz,
        verdict=verdict,
        stresses=stress,
        half_power_hz=tuple(_half_power(f, one.level_db) for one in solution.branches),
        findings=tuple(findings),
        moved=moved,
    )


def shared_band(branches: Sequence[Branch]) -> tuple[float, float]:
    """Find the band over which all branches are known [Hz].

    Raises:
        Refused: ``no-common-band``.
    """
    low = max(branch.load.band_hz[0] for branch in branches)
    high = min(branch.load.band_hz[1] for branch in branches)
    if not high > 2 * low:
        raise Refused.because(
            "no-common-band",
            f"the loads share no octave: {low:g} to {high:g} Hz",
            next_step="Measure both over overlapping bands",
        )
    return low, high


def _crossings(solution: NetworkSolution, moved: Sequence[Disturbed]) -> tuple[Crossing, ...]:
    f = solution.frequency_hz
    found = []
    for (i, first), (k, second) in combinations(enumerate(solution.branches), 2):
        for hz in crossings(f, first.level_db, second.level_db):
            level = float(np.interp(math.log(hz), np.log(f), first.level_db))
            frequency = estimate(solution, moved, crossing(i, k, hz), "Hz")
            if level < _HEARD_DB or frequency is None:
                continue
            below = int(np.searchsorted(f, hz)) - 1
            names = first.branch.name, second.branch.name
            leads = first.level_db[below] > second.level_db[below]
            lower, upper = names if leads else names[::-1]
            found.append(Crossing(lower, upper, frequency, level))
    return tuple(sorted(found, key=lambda crossed: crossed.frequency.value))


def _half_power(f: FloatArray, level_db: FloatArray) -> tuple[float, ...]:
    edge = np.full(f.shape, float(np.max(level_db)) - 10 * math.log10(2))
    return tuple(crossings(f, level_db, edge))


_NO_CROSSING = Finding(
    "no-crossing",
    "the drivers nowhere get the same voltage within 20 dB of the amplifier's: the branches leave "
    "a hole, or one of them lies above the other everywhere",
)


def _band(branches: Sequence[Branch], band: tuple[float, float]) -> list[Finding]:
    widest = (
        min(branch.load.band_hz[0] for branch in branches),
        max(branch.load.band_hz[1] for branch in branches),
    )
    if band[0] <= 1.1 * widest[0] and band[1] >= widest[1] / 1.1:
        return []
    return [
        Finding(
            "band-limited",
            f"the drivers are both known from {rounded(band[0])} to {rounded(band[1])} Hz only; "
            "nothing is said about the load outside",
        )
    ]


def _load(
    verdict: Word | None, least: Estimate, least_hz: float, wanted: float | None
) -> list[Finding]:
    if verdict in (None, "inside"):
        return []
    low, high = least.interval_95
    seen = f"{least.value:.3g} ohm (95 %: {low:.3g} to {high:.3g}) at {rounded(least_hz)} Hz"
    if verdict == "outside":
        text = f"the load falls to {seen}, below the {wanted:g} ohm that the amplifier tolerates"
    else:
        text = f"whether the load stays above {wanted:g} ohm is undecided: {seen}"
    return [Finding("low-load", text)]


def _overloaded(
    branches: Sequence[Branch], stress: tuple[tuple[Stress, ...], ...] | None
) -> list[Finding]:
    found = []
    for branch, own in zip(branches, stress or (), strict=False):
        for named, borne in zip(branch.parts, own, strict=True):
            if named.rated_watt is not None and borne.worst_watt > named.rated_watt:
                found.append(
                    Finding(
                        "overloaded-part",
                        f"{branch.name} {named.name} takes {borne.worst_watt:.3g} W of a tone at "
                        f"{rounded(borne.worst_hz)} Hz ({borne.pink_watt:.3g} W of pink noise); "
                        f"it is rated {named.rated_watt:g} W",
                    )
                )
    return found


def _levels(solution: NetworkSolution, crossed: Sequence[Crossing]) -> list[Finding]:
    found = []
    f = solution.frequency_hz
    for one in solution.branches:
        top = int(np.argmax(one.level_db))
        if one.level_db[top] > _BOOST_DB:
            found.append(
                Finding(
                    "boost",
                    f"the {one.branch.name} gets {one.level_db[top]:.1f} dB more than the "
                    f"amplifier puts out at {rounded(f[top])} Hz: its filter resonates with the "
                    "driver. Compensate the impedance, or lower the Q",
                )
            )
        if one.branch.name == "tweeter" and one.branch.arms:
            found += _resonance(one, f, crossed)
    return found


def _resonance(one: BranchSolution, f: FloatArray, crossed: Sequence[Crossing]) -> list[Finding]:
    """The tweeter's own resonance, the largest inner peak of |Z| below its last minimum."""
    size = np.abs(one.branch.load.impedance(f))
    inner = np.flatnonzero((size[1:-1] > size[:-2]) & (size[1:-1] >= size[2:])) + 1
    if inner.size == 0:
        return []
    peak = int(inner[np.argmax(size[inner])])
    passband = float(np.max(one.level_db))
    down = float(one.level_db[peak]) - passband
    if down < _RESONANCE_DB:
        return []
    return [
        Finding(
            "resonance-driven",
            f"at its resonance of {rounded(f[peak])} Hz the tweeter still gets {-down:.0f} dB less "
            f"than at most ({-_RESONANCE_DB:.0f} dB or more are usual): its travel there limits "
            "the level",
            next_step=_protecting(one, f, peak, crossed),
        )
    ]


def _protecting(one: BranchSolution, f: FloatArray, peak: int, crossed: Sequence[Crossing]) -> str:
    """The standard branch that protects the tweeter, in words."""
    below = float(f[int(np.argmax(one.level_db > np.max(one.level_db) - 3.0))])
    corner = next((c.frequency.value for c in crossed if c.upper == one.branch.name), below)
    resonance_hz = float(f[peak])
    corner = max(corner, resonance_hz)
    found = protection(one.branch.load, resonance_hz, corner, _RESONANCE_DB, f)
    if found is None:
        return "no first or second order does that: cross it higher, or take another tweeter"
    order = "first" if found.order == 1 else "second"
    return (
        f"a {order}-order branch with its corner at {rounded(found.crossover_hz)} Hz puts its "
        f"resonance {-found.down_db:.0f} dB down: --order {found.order} --crossover "
        f"{found.crossover_hz:g}Hz"
    )


def _windings(branches: Sequence[Branch]) -> list[Finding]:
    bare = [
        f"{branch.name} {named.name}"
        for branch in branches
        for named in branch.parts
        if named.part.kind == "inductor" and named.part.series_ohm == 0.0
    ]
    if not bare:
        return []
    return [
        Finding(
            "no-winding",
            f"the winding resistance of {', '.join(bare)} is not given and counts as none: the "
            "level comes out too high and the load too low",
            next_step="Measure the coil (freeair part inductor) or give series_resistance",
        )
    ]
