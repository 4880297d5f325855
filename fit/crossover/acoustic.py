"""Sound of the drivers behind a crossover, summed on one large baffle.

Each driver is a rigid piston in one large baffle, heard at 1 m from all of them, its rear open
(`fit.box.circuit` without a box). The voltages at their terminals come from the network. What
that leaves out is in `LEFT_OUT`; near the crossover it decides more than the drivers' errors do.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from fit.box.circuit import Air, Behaviour, Box, behaviour
from fit.box.predict import mounted
from fit.box.saved_driver import SavedDriver
from fit.crossover.budget import Disturbed
from fit.crossover.network import NetworkSolution
from fit.driver.elements.quantity import rounded
from fit.given.standards import REFERENCE_PRESSURE
from fit.results.error_sources import named_apart
from meas.curve import ComplexArray, FloatArray
from meas.errors import Finding

LEFT_OUT = (
    "all drivers on one large baffle, at one distance from the ear, as stiff pistons. The edges "
    "of the baffle, the box behind, the cone's breakup and how one driver lies behind another are "
    "left out. Near the crossover they change the sum by several dB"
)
_OPEN = Box(math.inf)
_NOTICED_DB = 1.5
"""Differences of mean level from which a driver is called louder (common practice, no source)."""
_NEAR = 1.5
"""The sum is judged within this ratio of a crossing."""


@dataclass(frozen=True, eq=False)
class Voice:
    """One driver behind its branch, for 1 V of the amplifier.

    Attributes:
        pressure_pa: Pressure at 1 m, complex, rms [Pa], shape (n,).
        alone_pa: Pressure for 1 V at its own terminals, likewise.
        excursion_m: Peak excursion [m], shape (n,); None where the fit does not know the mass.
        effects: Error source to the change of the pressure for plus one standard uncertainty [Pa].
        beams_hz: Above it the cone is wider than half a wavelength and more [Hz].
    """

    name: str
    pressure_pa: ComplexArray
    alone_pa: ComplexArray
    excursion_m: FloatArray | None
    effects: Mapping[str, ComplexArray]
    beams_hz: float

    @property
    def level_db(self) -> FloatArray:
        """Level at 1 m for 1 V of the amplifier, re 20 uPa, shape (n,)."""
        return _level(self.pressure_pa)


@dataclass(frozen=True, eq=False)
class AcousticSum:
    """The drivers together, for 1 V of the amplifier.

    Attributes:
        frequency_hz: Shape (n,).
        voices: In the order of the branches.
        together_db: Every plus terminal at the amplifier's plus [dB], shape (n,).
        turned_db: The last driver with its terminals swapped [dB], shape (n,).
        standard_uncertainty_db: Uncertainty of ``together_db`` by fits and parts [dB], shape (n,).
    """

    frequency_hz: FloatArray
    voices: tuple[Voice, ...]
    together_db: FloatArray
    turned_db: FloatArray
    standard_uncertainty_db: FloatArray


def voice(
    name: str, driver: SavedDriver, transfer: ComplexArray, frequency_hz: FloatArray, air: Air
) -> Voice:
    """Compute one driver behind its branch.

    Args:
        driver: A driver whose fit knows Vas.
        transfer: Voltage at its terminals over the amplifier's, complex, shape (n,).

    ``beams_hz`` is where ka = 2: there a stiff piston is 3 dB down 30 degrees off its axis and
    more beyond it (L. L. Beranek, Acoustics, 1954, chapter 4; from memory).
    """

    def made(theta: FloatArray) -> Behaviour:
        return behaviour(frequency_hz, mounted(driver, theta, _OPEN, air), 1.0)

    at, own = mounted(driver, driver.theta, _OPEN, air), made(driver.theta)
    effects = {
        source: np.asarray((made(driver.theta + e).pressure_pa - own.pressure_pa) * transfer)
        for source, e in driver.effects.items()
    }
    return Voice(
        name,
        np.asarray(own.pressure_pa * transfer),
        own.pressure_pa,
        own.excursion_m * np.abs(transfer) if driver.has_mass else None,
        named_apart(effects, f":{name}"),
        air.sound_speed / (math.pi * math.sqrt(at.Sd / math.pi)),
    )


def acoustic_sum(
    solution: NetworkSolution,
    moved: Sequence[Disturbed],
    drivers: Mapping[str, SavedDriver],
    air: Air,
) -> AcousticSum:
    """Sum the drivers of a crossover.

    An error of a fit moves its driver and, as a load, the voltages that the network gives; one of
    a part moves the voltages alone. Sources are taken as independent, each with both effects.

    Args:
        moved: The network with each error source off (`fit.crossover.budget.disturbed`).
        drivers: Name of each branch to its driver.
    """
    f = solution.frequency_hz
    voices = tuple(
        voice(one.branch.name, drivers[one.branch.name], one.ladder.transfer, f, air)
        for one in solution.branches
    )
    total = np.sum([one.pressure_pa for one in voices], axis=0)
    effects: dict[str, ComplexArray] = {}
    nothing = np.zeros_like(total)
    for one in voices:
        for source, effect in one.effects.items():
            effects[source] = effects.get(source, nothing) + effect
    for source, up, down in moved:
        by_voltage = sum(
            one.alone_pa * (high.ladder.transfer - low.ladder.transfer) / 2
            for one, high, low in zip(voices, up.branches, down.branches, strict=True)
        )
        effects[source] = effects.get(source, nothing) + by_voltage
    changes = [_level(total + effect) - _level(total) for effect in effects.values()]
    spread = np.sqrt(np.sum(np.square(changes), axis=0)) if changes else np.zeros(f.size)
    return AcousticSum(f, voices, _level(total), _level(total - 2 * voices[-1].pressure_pa), spread)


def _level(pressure_pa: ComplexArray) -> FloatArray:
    return np.asarray(20 * np.log10(np.maximum(np.abs(pressure_pa) / REFERENCE_PRESSURE, 1e-6)))


def judged(found: AcousticSum, crossings_hz: Sequence[float]) -> tuple[Finding, ...]:
    """Judge polarity and levels by the sum.

    Args:
        crossings_hz: Frequencies at which the branches cross [Hz]; only a single one is judged.
    """
    if len(found.voices) != 2 or len(crossings_hz) != 1:
        return ()
    hz, f = crossings_hz[0], found.frequency_hz
    last = found.voices[-1].name
    near = (f > hz / _NEAR) & (f < hz * _NEAR)
    said = []
    as_is, swapped = (float(np.min(db[near])) for db in (found.together_db, found.turned_db))
    if abs(as_is - swapped) > 1.0:
        better, word = (
            ("swapped", "plus to plus") if swapped > as_is else ("plus to plus", "swapped")
        )
        said.append(
            Finding(
                "polarity-of-sum",
                f"near {rounded(hz)} Hz the estimated sum stays {abs(as_is - swapped):.1f} dB "
                f"fuller with the {last} {better} than {word}",
                next_step=f"connect the {last} {better}, then listen to both ways",
            )
        )
    low, high = (one.level_db for one in found.voices)
    below, above = (f > hz / 4) & (f < hz / 2), (f > hz * 2) & (f < hz * 4)
    if below.any() and above.any():
        louder = float(np.mean(high[above]) - np.mean(low[below]))
        if abs(louder) > _NOTICED_DB:
            said.append(_louder(louder, found.voices[0].name, last))
    return tuple(said)


def _louder(db: float, low: str, high: str) -> Finding:
    loud, quiet = (high, low) if db > 0 else (low, high)
    step = f"attenuate it: --attenuate {abs(db):.0f}dB" if db > 0 else f"take a louder {high}"
    return Finding(
        "levels-apart",
        f"by both fits' sensitivities the {loud} plays {abs(db):.1f} dB louder than the {quiet}, "
        "an octave and more from the crossing",
        next_step=step,
    )
