"""A stereo pair of drivers: their levels at one voltage and the difference."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations
from typing import Any, Literal

import numpy as np

from fit.compare.repeatability import effects
from fit.results.error_sources import difference, variance
from fit.results.numbers import signed
from fit.results.result import DECIBEL, Z95, DriverFit, Estimate, widest
from meas.curve import FloatArray

Verdict = Literal["matched", "apart", "undecided"]

LIMIT_DB = 1.0
"""Largest difference of level of a good pair: about what shifts an image between two loudspeakers
audibly (common practice, no source)."""

_POINTS = 120
_DECIBEL = 20 / math.log(10)
_NEEDED = ("fs", "Qts", "sensitivity_2v83")


@dataclass(frozen=True)
class Pair:
    """Two drivers side by side at one voltage.

    Attributes:
        level_db: Level of the second over the first far above resonance [dB].
        level_95: 95 % interval of that level [dB].
        fs_relative: Resonance of the second over the first, minus one.
        worst_db: Largest difference of level from below resonance upwards [dB].
        worst_hz: Frequency of that difference [Hz].
        worst_95: 95 % interval of that difference [dB].
        verdict: ``matched`` when it is surely within `LIMIT_DB`, ``apart`` when surely not.
    """

    first: str
    second: str
    level_db: float
    level_95: tuple[float, float]
    fs_relative: float
    worst_db: float
    worst_hz: float
    worst_95: tuple[float, float]
    verdict: Verdict

    @property
    def text(self) -> str:
        """Levels, resonances and verdict in words."""
        judged = {
            "matched": "a good pair",
            "apart": "not a pair: the image would lean to the louder one",
            "undecided": "too uncertain to call them a pair or not",
        }[self.verdict]
        side = "louder" if self.level_db > 0 else "softer"
        higher = "at the same frequency"
        if abs(self.fs_relative) >= 0.0005:
            way = "higher" if self.fs_relative > 0 else "lower"
            higher = f"{100 * abs(self.fs_relative):.1f} % {way}"
        low, high = (signed(end, 1) for end in self.level_95)
        reach = (self.worst_95[1] - self.worst_95[0]) / 2
        return (
            f"At one voltage {self.second} plays {abs(self.level_db):.1f} dB {side} than "
            f"{self.first} (95 % from {low} to {high} dB) and resonates {higher}. On one large "
            f"baffle their levels differ by {abs(self.worst_db):.1f} dB at most (± {reach:.1f} "
            f"dB), at {self.worst_hz:.0f} Hz: {judged} by a limit of {LIMIT_DB:g} dB."
        )

    def as_json(self) -> dict[str, Any]:
        """Ready for ``json.dumps``."""
        return {
            "first": self.first,
            "second": self.second,
            "level_db": self.level_db,
            "level_95_db": list(self.level_95),
            "fs_relative": self.fs_relative,
            "worst_db": self.worst_db,
            "worst_hz": self.worst_hz,
            "worst_95_db": list(self.worst_95),
            "verdict": self.verdict,
            "text": self.text,
        }


def pair(names: tuple[str, str], fits: tuple[DriverFit, DriverFit]) -> Pair | None:
    """Compare the levels of two drivers on one large baffle at one voltage.

    None where a fit has no fs, Qts or sensitivity.

    Level over frequency: sensitivity and the second-order high-pass of fs and Qts (R. H. Small,
    J. Audio Eng. Soc. 20(5), 1972), from 0.7 of the lower resonance up to a decade above it. What
    both share (resistor, mass, ruler) cancels; repeatability and air of each as in
    `fit.compare.changes`.
    """
    if not all(name in fit.parameters for fit in fits for name in _NEEDED):
        return None
    fs = [fit.parameters["fs"].value for fit in fits]
    f = np.geomspace(0.7 * min(fs), 10 * min(fs), _POINTS)
    levels = [_level(fit.parameters, f) for fit in fits]
    D = levels[1] - levels[0]
    reach = Z95 * _spread(fits, f)
    worst = int(np.argmax(np.abs(D)))
    verdict: Verdict = "undecided"
    if np.all(np.abs(D) + reach <= LIMIT_DB):
        verdict = "matched"
    elif np.any(np.abs(D) - reach > LIMIT_DB):
        verdict = "apart"
    (level, level_95), (most, most_95) = (
        (float(D[k]), (float(D[k] - reach[k]), float(D[k] + reach[k]))) for k in (-1, worst)
    )
    fs_relative = fs[1] / fs[0] - 1
    return Pair(*names, level, level_95, fs_relative, most, float(f[worst]), most_95, verdict)


def pairs(named: Sequence[tuple[str, DriverFit]]) -> tuple[Pair, ...]:
    """Compare all pairs of several drivers, the best matched first."""
    found = (pair((a[0], b[0]), (a[1], b[1])) for a, b in combinations(named, 2))
    return tuple(sorted((p for p in found if p is not None), key=lambda p: abs(p.worst_db)))


def _level(known: Mapping[str, Estimate], f: FloatArray) -> FloatArray:
    x = f / known["fs"].value
    response = np.abs(x**2 / (1 + 1j * x / known["Qts"].value - x**2))
    return np.asarray(known["sensitivity_2v83"].value + _DECIBEL * np.log(response))


def _slopes(known: Mapping[str, Estimate], f: FloatArray) -> dict[str, FloatArray]:
    """Change of level [dB] for a unit change of the logarithm of each parameter.

    For the sensitivity that of its power. With N = 1 - x^2 + j x/Q:
    d ln|x^2/N| / d ln fs = -2 + Re[(-2 x^2 + j x/Q)/N], and / d ln Q = Re[j (x/Q)/N].
    """
    x = f / known["fs"].value
    turn = 1j * x / known["Qts"].value
    N = 1 - x**2 + turn
    return {
        "fs": _DECIBEL * (-2 + np.real((-2 * x**2 + turn) / N)),
        "Qts": _DECIBEL * np.real(turn / N),
        "sensitivity_2v83": np.full(f.size, 1 / DECIBEL),
    }


def _spread(fits: tuple[DriverFit, DriverFit], f: FloatArray) -> FloatArray:
    """Standard uncertainty of the difference of level [dB], widened for few repetitions."""
    first, second = (effects(fit, _slopes(fit.parameters, f)) for fit in fits)
    before, after = (widest(fit.parameters[name] for name in _NEEDED) for fit in fits)
    return np.sqrt(variance(difference(first, second, widening=(before, after))))
