"""Maps between reported parameters and the unbounded numbers that a fit moves.

A positive quantity is fitted as its logarithm, a bounded one as the logit of its place between
the bounds. Each map from reported values returns the numbers and, for each number, its
derivatives by reported values, by name.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
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


def size_and_delay(
    values: Mapping[str, float], size: str, corner: str, resonance_hz: float
) -> tuple[FloatArray, Slopes]:
    """Logarithms of a size, and of resonance over corner frequency."""
    found = np.log([values[size], resonance_hz / values[corner]])
    return found, [
        {size: 1 / values[size]},
        {"fs": 1 / resonance_hz, corner: -1 / values[corner]},
    ]
