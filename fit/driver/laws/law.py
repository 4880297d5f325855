"""Interface of a law of suspension or former: stiffness over frequency, limits, words, circuit.

A law gives the dynamic stiffness over that of an ordinary spring at x = s/(angular resonance),
up to a constant factor and a constant loss: `fit.driver.mechanics` turns both back into the
quantities of the trade, whose definitions hold for every law (stiffness and loss at resonance).
"""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections.abc import Callable, Mapping

import numpy as np

from fit.driver.elements.quantity import Quantity
from fit.driver.elements.sections import Section
from fit.driver.elements.unbounded import Logarithm, Slopes
from meas.curve import ComplexArray, FloatArray
from meas.errors import Finding

Stiffness = tuple[ComplexArray, ComplexArray, ComplexArray]
"""Dynamic stiffness along frequency, shape (n,), its derivative by ln x, and those by the
parameters, shape (size, n)."""
Band = tuple[float, float]
Written = Callable[[str], str]
"""Writes the value of a reported symbol as people read it."""

BORDER = 1.5
"""Corner over resonance that parts a suspension that gives slowly from a ring that brakes.

Seen from the terminals both are one circuit, a spring beside a spring in series with a dashpot.
Rubber, foam and glue give within tenths of a second; the corner of a metal ring lies at a
kilohertz and above (common practice, no source).
"""

AT_FS = (
    "fs, Cms, Vas and the Qs are the values at resonance, as everywhere; at a slow push the "
    "suspension is softer"
)
NO_FAULT = (
    "Common for rubber, foam and impregnated cloth (common practice, no source), and no fault."
)


class Law(ABC):
    """Part of the dynamic stiffness of a driver's moving system; `fit.driver.models` lists all.

    Attributes:
        name: As used in the names of models.
        quantities: Reported symbol to its meaning, one for each internal parameter.
        maps: How each is turned into an unbounded number.
        typical: Internal parameters where data say nothing about them, shape (size,).
        starts: Internal parameters tried as starts.
    """

    name: str
    quantities: Mapping[str, Quantity]
    maps: tuple[Logarithm, ...]
    typical: FloatArray
    starts: tuple[FloatArray, ...]

    @abstractmethod
    def stiffness(self, x: ComplexArray, internal: FloatArray) -> Stiffness:
        """Stiffness at x, complex angular frequency over the angular resonance, shape (n,).

        With x of shape (r, n) and parameters of shape (size, r, 1) for r of them at once.
        """

    @property
    def size(self) -> int:
        """Number of internal parameters."""
        return len(self.maps)

    def reported(self, internal: FloatArray, fs: float) -> Mapping[str, tuple[float, str]]:
        """The law's parameters under their own names: value and unit."""
        return {
            symbol: (way.value(number, fs), quantity.unit)
            for (symbol, quantity), way, number in zip(
                self.quantities.items(), self.maps, internal, strict=True
            )
        }

    def internal(self, values: Mapping[str, float], fs: float) -> tuple[FloatArray, Slopes]:
        """Internal parameters from reported ones, and the derivatives of each by these and fs.

        Raises:
            KeyError: If one of the law's parameters is missing.
        """
        found = [
            way.number(values, symbol, fs)
            for symbol, way in zip(self.quantities, self.maps, strict=True)
        ]
        return np.array([number for number, _ in found]), [row for _, rows in found for row in rows]

    def loss(self, internal: FloatArray) -> float:
        """Imaginary part of the stiffness at resonance."""
        return float(self.stiffness(np.array([1j]), internal)[0][0].imag)

    def plausible(self, internal: FloatArray) -> bool:
        """Tell whether such parameters are what the law's name says; always by default."""
        return True

    @abstractmethod
    def words(self, written: Written) -> str:
        """Effect of the law, in half a sentence."""

    @abstractmethod
    def finding(self, written: Written, values: Mapping[str, float], share: float) -> Finding:
        """Say what the law shows of the build.

        Args:
            written: Writes a symbol's estimate with its interval.
            share: What the law takes of the mechanical loss at resonance.
        """

    def circuit(
        self, internal: FloatArray, spring: float, fs: float, band_hz: Band
    ) -> list[Section] | None:
        """Sections in series that are the suspension under this law; None where there are none.

        Seen from the terminals a compliance is an inductance and a loss a resistance.

        Args:
            internal: Parameters of the law.
            spring: Inductance of an ordinary spring of stiffness 1 [H].
            fs: Resonance [Hz].
            band_hz: Where the circuit is to be right [Hz].
        """
        return None


def percent(share: float) -> str:
    """Write a share of the loss."""
    return f"{100 * share:.0f} %" if share < 1 else "all"
