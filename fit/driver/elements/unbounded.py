"""Maps between reported parameters and the unbounded numbers that a fit moves.

A positive quantity is fitted as its logarithm, a bounded one as the logit of its place between
the bounds. Each map from reported values returns the numbers and, for each number, its
derivatives by reported values, by name.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from meas.curve import FloatArray

Slopes = list[dict[str, float]]

REFERENCE = 2 * np.pi * 1000.0
"""Angular frequency [rad/s] at which the size of a power law is a parameter of the fit."""

_EDGE = 1e-6
"""Least distance from a bound, as a share of the range."""


def logistic(x: Any) -> Any:
    """1/(1 + exp(-x)) without overflow."""
    return 0.5 + 0.5 * np.tanh(0.5 * x)


def logarithms(values: Mapping[str, float], names: Sequence[str]) -> tuple[FloatArray, Slopes]:
    """Logarithms of positive values, by name."""
    found = np.log([values[name] for name in names])
    return np.asarray(found), [{name: 1 / values[name]} for name in names]


def logit(values: Mapping[str, float], name: str, low: float, high: float) -> tuple[float, Slopes]:
    """Logit of a value between its bounds."""
    span = high - low
    share = min(max((values[name] - low) / span, _EDGE), 1 - _EDGE)
    return float(np.log(share / (1 - share))), [{name: 1 / (span * share * (1 - share))}]


def power_law(
    values: Mapping[str, float], size: str, exponent: str, low: float, high: float
) -> tuple[FloatArray, Slopes]:
    """Logarithm of size w^exponent at `REFERENCE`, and the logit of the exponent."""
    K, X, anchor = values[size], values[exponent], np.log(REFERENCE)
    number, slopes = logit(values, exponent, low, high)
    return (
        np.array([np.log(K) + X * anchor, number]),
        [{size: 1 / K, exponent: float(anchor)}, *slopes],
    )


class Logarithm:
    """A positive quantity by its logarithm; other maps replace both ways."""

    def value(self, number: float, fs: float) -> float:
        """The reported value."""
        return float(np.exp(number))

    def number(self, values: Mapping[str, float], name: str, fs: float) -> tuple[float, Slopes]:
        """The unbounded number, and its derivatives by reported values and fs."""
        return float(np.log(values[name])), [{name: 1 / values[name]}]


class OverResonance(Logarithm):
    """A frequency by the logarithm of its ratio to the resonance."""

    def value(self, number: float, fs: float) -> float:
        """The frequency [Hz]."""
        return float(fs * np.exp(number))

    def number(self, values: Mapping[str, float], name: str, fs: float) -> tuple[float, Slopes]:
        """ln f/fs."""
        return float(np.log(values[name] / fs)), [{name: 1 / values[name], "fs": -1 / fs}]


class Delay(Logarithm):
    """A corner frequency by the logarithm of its time constant times the angular resonance."""

    def value(self, number: float, fs: float) -> float:
        """The corner [Hz]."""
        return float(fs / np.exp(number))

    def number(self, values: Mapping[str, float], name: str, fs: float) -> tuple[float, Slopes]:
        """ln fs/f."""
        return float(np.log(fs / values[name])), [{"fs": 1 / fs, name: -1 / values[name]}]


@dataclass(frozen=True)
class Share(Logarithm):
    """A quantity between zero and a bound, by its logit."""

    most: float

    def value(self, number: float, fs: float) -> float:
        """The reported value."""
        return self.most * float(logistic(number))

    def number(self, values: Mapping[str, float], name: str, fs: float) -> tuple[float, Slopes]:
        """Logit of the value over its bound."""
        return logit(values, name, 0.0, self.most)
