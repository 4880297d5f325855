"""Doubts that a fit raises about its own data: refusals and warnings."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

import numpy as np
from numpy.typing import NDArray

from fit.given.measured import AddedMass, FreeAir, TestBox
from fit.numerics.covariance import covariance
from fit.problem.joint_problem import Problem
from fit.problem.reported import Extremes, derived
from fit.problem.settle import Settled
from fit.results.result import Estimate
from fit.search.choose import BETTER, imitating_section
from fit.uncertainty import multimeter
from fit.uncertainty.rivals import Rival
from meas.curve import FloatArray
from meas.errors import Finding, Refused

NEAR_WARNS = 0.02
NEAR_REFUSES = 0.06
"""Residual over |Z| near the resonance. Real drivers follow the model to a per cent or two there
(common practice, no source); two resonances or a mass that came loose leave a tenth and more."""
SCATTER_REFUSES = 0.15
"""Residual over |Z| that refuses readings without stated uncertainty, perhaps off a dial."""

RE_WARNS, RE_REFUSES = 0.02, 0.10
"""Change of coil resistance between takes: 2 % is 5 K of copper, 10 % another coil."""
COMPLIANCE_WARNS, COMPLIANCE_REFUSES = 0.06, 0.25
"""Change of compliance: three standard deviations of the drift allowed for; a broken-in
suspension changes by a quarter at most (common practice, no source)."""
LEAK_WARNS, LEAK_REFUSES = 1.6, 4.0
"""Mechanical loss in the box over that in free air."""
MASSES_WARN, MASSES_REFUSE = 3.0, 4.0
"""Tension of several masses. Three that are off by all of their limits, one against two, reach
2.8: 2 sqrt(3) standard uncertainties over sqrt(1 + 1/2)."""
_LEAK = (
    "The box leaks or is lined: seal joints, terminals and the driver's rim, and take out all "
    "damping material"
)
FOLLOWS = 3.0
"""How much better a second resonance must follow the take near the first to be one."""
ROUND = 1.0
"""Q from which a pole is a resonance; what gives slowly is rounder."""
HIGHEST, BY_A_FRAME = 2.0, 0.04
"""Second resonance over fs above which one that moves fs by less may be the frame's: taken for a
part on the cone, a frame of 15 times the cone's mass seems to move fs by half of a fifteenth. What
it really moves is a third of that, which the interval holds."""
MOUNTED = 0.015
"""What fs may be off by between two mountings: a frame on its magnet, and the suspension (the
limits that `fit.compare.sitting` has for them)."""
FAINT = 0.25
"""Relative standard uncertainty of Res from which no resonance is identifiable."""


def refuse_without_resonance(settled: Settled, band: tuple[float, float]) -> None:
    """Refuse takes without a resonance inside the measured band.

    Args:
        band: Lowest and highest frequency in free air [Hz].

    Raises:
        Refused: ``no-resonance``, or ``poor-fit`` where there are more than one.
    """
    problem, theta = settled.problem, settled.theta
    C = covariance(problem.jacobian(theta))
    g = np.zeros(problem.size)
    g[1], g[3] = 1.0, -1.0
    spread = math.sqrt(float(g @ C @ g))
    fs = math.exp(theta[2]) / (2 * math.pi)
    text = ""
    if not band[0] < fs < band[1]:
        text = (
            f"the resonance is not inside the measured band of {band[0]:.3g} to {band[1]:.3g} Hz;"
            " sweep an octave beyond it on both sides"
        )
    elif spread > FAINT or math.sqrt(C[2, 2]) > 0.1:
        text = (
            "the curve shows no resonance: is this a driver in free air, and does the sweep "
            "reach its resonance?"
        )
    if text and _missed(settled) > NEAR_REFUSES:
        text = (
            f"the model of one resonance misses the curve by {_missed(settled):.0%} of |Z|: is "
            "this a bare driver in free air, not one in a box, and not several?"
            + _uncompared(problem, 0, np.ones(problem.takes[0].data.size, dtype=bool))
        )
        raise Refused.because("poor-fit", text)
    if text:
        raise Refused.because("no-resonance", text)


def refuse_without_values(estimates: Mapping[str, Estimate]) -> None:
    """Refuse takes that leave the resonance itself undetermined.

    Raises:
        Refused: ``no-resonance``.
    """
    missing = [name for name in ("fs", "Qms") if name not in estimates]
    if missing:
        raise Refused.because(
            "no-resonance",
            f"the takes do not determine {' and '.join(missing)}: no resonance can be separated "
            "from the coil; sweep an octave beyond the resonance on both sides, with less noise",
        )


def about_model(
    settled: Settled, rivals: Sequence[Rival], choice: Mapping[str, float], at: Extremes
) -> list[Finding]:
    """Warn where a model requested by name is not the one that the takes support.

    Args:
        choice: Model to its criterion, the least being best.
        at: Frequencies of the minimum and the peak.
    """
    name = settled.problem.driver.name
    best = min(rivals, key=lambda r: choice[r.settled.problem.driver.name], default=None)
    if best is None:
        return []
    better = best.settled.problem.driver.name
    if name in choice and choice[name] - choice[better] < BETTER:
        return []
    own = derived(settled.problem, settled.theta, at)
    its = derived(best.settled.problem, best.settled.theta, at)
    apart = ", ".join(
        f"{symbol} {100 * (its[symbol][0] / own[symbol][0] - 1):+.2g} %"
        for symbol in ("Re", "fs", "Qms", "Qes")
    )
    return [
        Finding(
            "another-model",
            f"the takes support the model {better}, not {name}, which was asked for: by it "
            f"{apart}. The intervals hold both; leave the model to the takes, unless you know it",
        )
    ]


def about_coil(settled: Settled, choice: Mapping[str, float]) -> list[Finding]:
    """Refuse takes that every model follows by a coil section only that no coil has.

    Args:
        choice: Model to its criterion; without the one chosen, if there are better ones.
    """
    section = imitating_section(settled)
    if section is None or settled.problem.driver.name not in choice:
        return []
    corner, ohm = section
    return [
        Finding(
            "not-a-coil",
            f"the takes ask for a coil that gains {ohm:.2g} ohm from {corner:.2g} Hz on, which "
            "would be missing in Re",
            ground="no winding does: eddy currents add resistance near the resonance of a tweeter "
            "at the earliest, far above that of a woofer. Inputs that differ at low frequencies "
            "look like it, and contacts that change",
            refuses=True,
            next_step="Calibrate both inputs, move every contact once, and repeat. Read the coil "
            "by a multimeter too",
        )
    ]


def about_second(
    settled: Settled, second: Settled | None, estimates: Mapping[str, Estimate]
) -> list[Finding]:
    """Refuse takes that a second resonance explains better, where it would move fs or Q.

    What it moves by less than their intervals, or what resonates far above, is no more than a bump
    (`fit.diagnosis.bumps`).

    Args:
        second: The best model with a second resonance, if any was tried.
        estimates: Parameters by the fit.
    """
    if second is None:
        return []
    top = 4 * math.exp(settled.theta[2])
    own, its_own = _below(top, settled), _below(top, second)
    if own < FOLLOWS * its_own or own < FOLLOWS * _below(top, settled, noise=True):
        return []
    w0, loss = np.exp(second.theta[[2, 3]])
    strength = math.exp(second.theta[1] - second.theta[0])
    its = {"fs": w0 / (2 * math.pi), "Qms": w0 / loss, "Qes": w0 / strength}
    moved = []
    for symbol, value in its.items():
        low, high = estimates[symbol].interval_95
        reach = math.hypot(math.log(high / low) / 2, MOUNTED * (1 if symbol == "fs" else 3))
        if abs(math.log(value / estimates[symbol].value)) > reach:
            moved.append(f"{symbol} by {100 * (value / estimates[symbol].value - 1):+.2g} %")
    driver = second.problem.driver
    known = driver.mechanics.reported(second.theta[driver.law_columns], its["fs"])
    at_hz, sharp = known["f_second"][0], known["Q_second"][0]
    high = at_hz > HIGHEST * estimates["fs"].value
    if high and abs(math.log(its["fs"] / estimates["fs"].value)) < BY_A_FRAME:
        return []
    if not moved or sharp < ROUND:
        return []
    return [
        Finding(
            "two-resonances",
            f"the takes show a second resonance, at {at_hz:.3g} Hz with a Q of {sharp:.2g}; taken "
            f"out it would move {' and '.join(moved)}. A vented box, the air under a driver that "
            "lies on its face, a frame on something soft, or a loose part",
            refuses=True,
            next_step="Lay the driver on its magnet, in the open, on something firm, and repeat",
        )
    ]


def _below(top: float, settled: Settled, *, noise: bool = False) -> float:
    """Root mean square of residual (or noise) over |Z| below an angular frequency."""
    problem = settled.problem
    squares = []
    for index, take in enumerate(problem.takes):
        near = np.abs(take.s) < top
        left = take.noise if noise else np.abs(problem.raw(settled.theta, index))
        squares.append((left / take.magnitude)[near] ** 2)
    return float(np.sqrt(np.mean(np.concatenate(squares))))


def _missed(settled: Settled) -> float:
    """Root mean square of residual over |Z| of the worst take."""
    problem = settled.problem
    return max(
        float(np.sqrt(np.mean(np.abs(problem.raw(settled.theta, i) / take.data) ** 2)))
        for i, take in enumerate(problem.takes)
    )


def about(
    settled: Settled, estimates: Mapping[str, Estimate], band: tuple[float, float]
) -> list[Finding]:
    """Collect all findings about a fit, those that refuse it among them.

    Args:
        band: Lowest and highest frequency in free air [Hz].
    """
    problem, theta = settled.problem, settled.theta
    found = [
        finding
        for index in range(len(problem.takes))
        for finding in (
            *_near_resonance(problem, theta, index),
            *_changed(problem, theta, index),
            *_leak(problem, theta, index),
        )
    ]
    found += multimeter.against_bench(problem, theta)
    found += _masses(problem, theta)
    found += _areas(estimates)
    fs = estimates["fs"].value
    if fs < band[0] * 1.25 or fs > band[1] / 1.25:
        found.append(
            Finding(
                "resonance-at-edge",
                f"the resonance at {fs:.3g} Hz lies at the edge of the measured band; sweep an "
                "octave beyond it on both sides for better values",
            )
        )
    return found


def _near_resonance(problem: Problem, theta: FloatArray, index: int) -> list[Finding]:
    take = problem.takes[index]
    motion = np.abs(problem.modelled(theta, index).motion)
    near = motion > 0.35 * np.max(motion)
    relative = np.abs(problem.raw(theta, index))[near] / np.abs(take.data[near])
    rms = float(np.sqrt(np.mean(relative**2)))
    stated = take.measured.curve.standard_uncertainty_ohm is not None
    expected = float(np.sqrt(np.mean((take.noise[near] / np.abs(take.data[near])) ** 2)))
    limit = NEAR_REFUSES if stated else SCATTER_REFUSES
    if rms > max(limit, 3 * expected):
        text = (
            f"{take.measured.source}: the model misses the take by {rms:.0%} of |Z| near its "
            "resonance; a box or a second resonance, a loose mass, rub, or a bad contact?"
            + _uncompared(problem, index, near)
        )
        found = [Finding("poor-fit", text, refuses=True)]
        if isinstance(take.measured.condition, TestBox):
            found.append(Finding("leaky-box", f"{take.measured.source}: {_LEAK}", refuses=True))
        return found
    if rms > max(NEAR_WARNS, 3 * expected):
        text = (
            f"{take.measured.source}: the model misses the take by {rms:.1%} of |Z| near its "
            "resonance; the intervals are widened by it"
        )
        return [Finding("residual-near-resonance", text)]
    return []


def _uncompared(problem: Problem, index: int, where: NDArray[np.bool_]) -> str:
    """Say how much uncompared inputs may do there; empty where they do little."""
    take = problem.takes[index]
    variance = (problem.shape_error_variance(index) / take.magnitude**2)[where]
    size = float(np.sqrt(take.components * np.mean(variance)))
    if size < NEAR_WARNS:
        return ""
    return f" Inputs that nobody has compared may do it too, by {size:.0%} here: calibrate first"


def _changed(problem: Problem, theta: FloatArray, index: int) -> list[Finding]:
    take = problem.takes[index]
    found = []
    for kind, word, warns, refuses in (
        ("re", "coil resistance", RE_WARNS, RE_REFUSES),
        ("compliance", "suspension compliance", COMPLIANCE_WARNS, COMPLIANCE_REFUSES),
    ):
        if kind not in take.departures:
            continue
        change = math.expm1(float(theta[take.departures[kind]]))
        if abs(change) < warns:
            continue
        free = isinstance(take.measured.condition, FreeAir)
        cause = (
            "are all takes of one unit and in the stated conditions?"
            if abs(change) >= refuses or free
            else "let it rest and take free air, loaded, free air in a row"
        )
        if isinstance(take.measured.condition, AddedMass) and kind == "compliance":
            cause += " A wrong or loose mass looks the same"
        found.append(
            Finding(
                "unit-changed",
                f"{take.measured.source}: the {word} differs by {change:+.1%} from the other "
                f"takes; {cause}",
                refuses=abs(change) >= refuses,
            )
        )
    return found


def _leak(problem: Problem, theta: FloatArray, index: int) -> list[Finding]:
    take = problem.takes[index]
    condition = take.measured.condition
    if not isinstance(condition, TestBox):
        return []
    factor = math.exp(float(theta[take.departures["loss"]]))
    if problem.volume_column is not None:
        # What escapes through a leak brakes too: the imaginary part of the air's stiffness.
        ratio = math.exp(float(theta[problem.volume_column])) / condition.volume.value
        leak = max(float(theta[take.departures["leak"]]), 0.0)
        factor += ratio / (1 + ratio + leak**2) * leak * math.exp(float(theta[2] - theta[3]))
    if factor < LEAK_WARNS:
        return []
    text = (
        f"{take.measured.source}: the box multiplies the driver's mechanical loss by "
        f"{factor:.1f}. {_LEAK}"
    )
    return [Finding("leaky-box", text, refuses=factor >= LEAK_REFUSES)]


def _masses(problem: Problem, theta: FloatArray) -> list[Finding]:
    """Compare several masses, each by the standardised residual of its prior row."""
    masses = {
        take.measured.condition.mass.source: (take.measured.source, take.measured.condition.mass)
        for take in problem.takes
        if isinstance(take.measured.condition, AddedMass)
    }
    if len(masses) < 2:
        return []
    C = covariance(problem.jacobian(theta))
    columns = {source: problem.error_columns[source] for source in masses}
    decided = {source: max(1 - float(C[k, k]), 1e-9) for source, k in columns.items()}
    tensions = {
        source: float(theta[columns[source]]) / math.sqrt(decided[source]) for source in masses
    }
    worst = max(tensions, key=lambda source: abs(tensions[source]))
    tension = abs(tensions[worst])
    if tension < MASSES_WARN:
        return []
    take, mass = masses[worst]
    # Without its own pull on the fit the others would have said:
    others = mass.value - mass.standard_uncertainty * float(theta[columns[worst]]) / decided[worst]
    doubted = (
        "one of the two is wrong or came loose. By the other one"
        if len(masses) == 2
        else "this one fits least: it is wrong or came loose. By the others"
    )
    return [
        Finding(
            "mass-disagrees",
            f"{take}: the masses contradict each other by {tension:.1f} times their uncertainty; "
            f"{doubted} it would be {1e3 * others:.4g} g, not {1e3 * mass.value:.4g} g",
            refuses=tension > MASSES_REFUSE,
            next_step="Weigh again, and measure again",
        )
    ]


def _areas(estimates: Mapping[str, Estimate]) -> list[Finding]:
    """Compare the ruler's area with that from mass and box."""
    ruler, takes = estimates.get("Sd"), estimates.get("Sd_from_takes")
    if ruler is None or takes is None:
        return []
    # Both come from one fit and share all its errors.
    change = takes.change_from(ruler, scope="fit")
    reach = change.standard_uncertainty
    if reach <= 0 or abs(change.value) < 2.5 * reach:
        return []
    text = (
        f"mass and box together say an area of {takes.value * 1e4:.4g} cm2, the ruler "
        f"{ruler.value * 1e4:.4g} cm2: {abs(change.value) / reach:.1f} times the "
        "uncertainty of both. One of mass, volume and diameter is wrong, or the box leaks or is "
        "lined"
    )
    return [Finding("area-disagrees", text)]
