"""Interface of a voice-coil model: parameters, impedance, starting values, words and circuit.

Each model turns its own vector of unbounded numbers (`fit.driver.elements.unbounded`) into an
impedance with its derivatives. For fixed `shapes` a model is linear in non-negative coefficients,
from which starting values are found.
"""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections.abc import Mapping, Sequence

from fit.driver.elements.quantity import Quantity
from fit.driver.elements.sections import Section
from fit.driver.elements.unbounded import Slopes
from meas.curve import ComplexArray, FloatArray

Shape = tuple[float, ...]
"""Parameters that do not enter linearly."""

NEGLIGIBLE = 1e-9
"""Inductance [H] that stands for none where a logarithm is needed."""


class CoilModel(ABC):
    """A voice coil as part of the electrical impedance; `fit.driver.models` lists all of them.

    Attributes:
        name: As given to `fit_driver` and reported.
        words: The model in words, as in "lossy inductance".
        quantities: Reported symbol to its meaning.
        size: Number of internal parameters.
        shapes: Values of the parameters that do not enter linearly, tried as starts.
        typical: Internal parameters of an ordinary coil, where data say nothing about one.
        grows_from: Name of the simpler model whose solution this one starts from, if any.
        searched: Whether starts are looked for over its `shapes`.
        within_band_only: Whether it describes the curve in the band of the take and nothing else.
    """

    name: str
    words: str
    quantities: Mapping[str, Quantity]
    size: int
    shapes: tuple[Shape, ...]
    typical: FloatArray
    grows_from: str | None = None
    searched: bool = True
    within_band_only: bool = False

    @abstractmethod
    def impedance(self, s: ComplexArray, internal: FloatArray) -> tuple[ComplexArray, ComplexArray]:
        """Impedance [ohm], shape (n,), and its derivatives, shape (size, n), at s [rad/s].

        Parameters of shape (size, r, 1) give r impedances at once, with a shape of (r, n).
        """

    @abstractmethod
    def basis(self, s: ComplexArray, shape: Shape) -> ComplexArray:
        """Columns in which the impedance is linear for a given shape, shape (n, k)."""

    @abstractmethod
    def start(self, shape: Shape, coefficients: FloatArray) -> FloatArray:
        """Internal parameters from a shape and non-negative coefficients, shape (size,)."""

    @abstractmethod
    def reported(self, internal: FloatArray) -> Mapping[str, tuple[float, str]]:
        """The model's parameters under their own names: value and unit."""

    @abstractmethod
    def internal(self, values: Mapping[str, float]) -> tuple[FloatArray, Slopes]:
        """Internal parameters from reported ones, and the derivatives of each by these.

        Raises:
            KeyError: If a parameter of the model is missing.
        """

    def grown(
        self, simpler: FloatArray, sections: Sequence[tuple[float, float]] = ()
    ) -> list[FloatArray]:
        """Starts from the parameters of the model that this one grows from; none by default.

        Args:
            simpler: Those parameters.
            sections: Inductance [H] and corner [rad/s] of sections that would gain.
        """
        return []

    def circuit(self, internal: FloatArray, band_hz: tuple[float, float]) -> list[Section] | None:
        """Sections in series that are this coil within a band [Hz]; None where there are none."""
        return None
