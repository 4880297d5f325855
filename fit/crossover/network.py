"""A crossover: branches of one amplifier, each a ladder into its driver, solved together."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from fit.crossover.ladder import (
    Arm,
    LadderSolution,
    Part,
    Place,
    parallel,
    part_power,
    solve_ladder,
)
from fit.crossover.load import Load
from meas.curve import ComplexArray, FloatArray

POINTS_PER_OCTAVE = 48


@dataclass(frozen=True)
class NetworkPart:
    """A part of a network, with what is known of it.

    Attributes:
        name: Unique within its branch, such as ``C1``.
        value_uncertainty: Standard uncertainty of a stated value, in its unit.
        series_uncertainty: Standard uncertainty of a stated series resistance [ohm].
        errors: Error source of a measured part to its effect for plus one standard uncertainty
            on ``value``, ``series_ohm`` and ``core_ohm``. Drivers and parts measured on one bench
            share such errors.
        rated_watt: Power that it bears [W]; None: not stated.
        back_to_back: Made of polarised capacitors with equal poles joined.
    """

    name: str
    part: Part
    value_uncertainty: float = 0.0
    series_uncertainty: float = 0.0
    rated_watt: float | None = None
    back_to_back: bool = False
    errors: Mapping[str, Mapping[str, float]] = field(default_factory=dict)

    @property
    def total_uncertainty(self) -> float:
        """Standard uncertainty of the value, stated or measured, in its unit."""
        measured = (effect.get("value", 0.0) for effect in self.errors.values())
        return math.hypot(self.value_uncertainty, *measured)


@dataclass(frozen=True)
class NetworkArm:
    """Parts in series with each other, in the line or across it."""

    place: Place
    parts: tuple[NetworkPart, ...]

    @property
    def arm(self) -> Arm:
        """The arm as the ladder wants it."""
        return Arm(self.place, tuple(named.part for named in self.parts))


@dataclass(frozen=True, eq=False)
class Branch:
    """The way from the amplifier to one driver.

    Attributes:
        name: ``woofer``, ``midrange`` or ``tweeter``.
        arms: From the amplifier to the driver; may be empty.
    """

    name: str
    arms: tuple[NetworkArm, ...]
    load: Load

    @property
    def parts(self) -> tuple[NetworkPart, ...]:
        """All parts, in the order of the arms."""
        return tuple(named for arm in self.arms for named in arm.parts)


@dataclass(frozen=True, eq=False)
class BranchSolution:
    """One branch at 1 V of the amplifier.

    Attributes:
        ladder: Currents and voltages.
        level_db: Driver's voltage over the amplifier's [dB], shape (n,).
    """

    branch: Branch
    ladder: LadderSolution
    level_db: FloatArray


@dataclass(frozen=True, eq=False)
class NetworkSolution:
    """All branches and what the amplifier sees.

    Attributes:
        frequency_hz: Shape (n,).
        load_ohm: All branches in parallel, complex, shape (n,).
    """

    frequency_hz: FloatArray
    branches: tuple[BranchSolution, ...]
    load_ohm: ComplexArray


def grid(band_hz: tuple[float, float]) -> FloatArray:
    """Frequencies evenly over ln f, both ends included [Hz]."""
    count = math.ceil(POINTS_PER_OCTAVE * math.log2(band_hz[1] / band_hz[0])) + 1
    f = np.geomspace(*band_hz, count)
    f[0], f[-1] = band_hz
    return f


def solve(
    branches: Sequence[Branch],
    frequency_hz: FloatArray,
    disturbed: Mapping[str, ComplexArray] | None = None,
) -> NetworkSolution:
    """Solve all branches.

    Args:
        disturbed: Changes of loads [ohm] by branch.
    """
    solved = []
    for branch in branches:
        load = branch.load.impedance(frequency_hz)
        if disturbed is not None and branch.name in disturbed:
            load = load + disturbed[branch.name]
        ladder = solve_ladder(frequency_hz, [arm.arm for arm in branch.arms], load)
        level = 20 * np.log10(np.maximum(np.abs(ladder.transfer), 1e-12))
        solved.append(BranchSolution(branch, ladder, level))
    load_ohm = parallel([one.ladder.input_ohm for one in solved])
    return NetworkSolution(frequency_hz, tuple(solved), load_ohm)


def crossings(frequency_hz: FloatArray, above: FloatArray, below: FloatArray) -> list[float]:
    """Frequencies at which two curves cross [Hz], linear over ln f between points.

    Args:
        above: One curve, shape (n,).
        below: The other, shape (n,).
    """
    difference = above - below
    x = np.log(frequency_hz)
    found = []
    for k in np.flatnonzero(np.diff(np.signbit(difference))):
        share = difference[k] / (difference[k] - difference[k + 1])
        found.append(float(np.exp(x[k] + share * (x[k + 1] - x[k]))))
    return found


def least_load(frequency_hz: FloatArray, load_ohm: ComplexArray) -> tuple[float, float]:
    """Least |Z| [ohm] and its frequency [Hz], between points by a parabola over ln f."""
    size = np.abs(load_ohm)
    k = int(np.argmin(size))
    if k in (0, size.size - 1):
        return float(size[k]), float(frequency_hz[k])
    a, b, c = size[k - 1 : k + 2]
    bend = a - 2 * b + c
    shift = 0.5 * (a - c) / bend if bend > 0 else 0.0
    step = math.log(frequency_hz[k + 1] / frequency_hz[k])
    return float(b - 0.25 * (a - c) * shift), float(frequency_hz[k] * math.exp(shift * step))


@dataclass(frozen=True)
class Stress:
    """Load on a part at a stated drive.

    Attributes:
        worst_watt: Heat of a steady sine at the worst frequency [W].
        worst_hz: That frequency [Hz].
        pink_watt: Heat of pink noise of the same voltage over the band [W]: the mean over ln f.
        peak_ampere: Largest peak current of a sine [A].
        peak_volt: Largest peak voltage across it, of a sine [V].
    """

    worst_watt: float
    worst_hz: float
    pink_watt: float
    peak_ampere: float
    peak_volt: float


def stresses(solution: BranchSolution, frequency_hz: FloatArray, volt_rms: float) -> list[Stress]:
    """Stress of every part of a branch, in the order of its arms.

    Args:
        frequency_hz: Frequencies [Hz], shape (n,), evenly over ln f.
    """
    arms = [arm.arm for arm in solution.branch.arms]
    found = []
    heat = part_power(frequency_hz, arms, solution.ladder, volt_rms)
    for arm, current, watts in zip(arms, solution.ladder.arm_current, heat, strict=True):
        for part, watt in zip(arm.parts, watts, strict=True):
            volts = np.abs(current * volt_rms * part.impedance(frequency_hz))
            worst = int(np.argmax(watt))
            found.append(
                Stress(
                    worst_watt=float(watt[worst]),
                    worst_hz=float(frequency_hz[worst]),
                    pink_watt=float(np.mean(watt)),
                    peak_ampere=float(np.max(np.abs(current))) * volt_rms * math.sqrt(2),
                    peak_volt=float(np.max(volts)) * math.sqrt(2),
                )
            )
    return found


def with_part(branch: Branch, name: str, part: Part) -> Branch:
    """Exchange one part of a branch.

    Args:
        part: What takes its place.
    """

    def exchanged(named: NetworkPart) -> NetworkPart:
        return replace(named, part=part) if named.name == name else named

    arms = (replace(arm, parts=tuple(map(exchanged, arm.parts))) for arm in branch.arms)
    return replace(branch, arms=tuple(arms))
