"""Inductors in series, bridged by eddy losses."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from fit.driver.coils.coil import NEGLIGIBLE, CoilModel, Shape
from fit.driver.elements.quantity import Quantity
from fit.driver.elements.sections import Section
from fit.driver.elements.unbounded import Slopes, logarithms
from meas.curve import ComplexArray, FloatArray

_COUNTED = {1: "two", 2: "three", 3: "four"}


class Ladder(CoilModel):
    """Inductors in series, all but the first bridged by eddy losses.

    Zc = s L1 + sum over k > 1 of (s Lk parallel Rk). Zero at s = 0 with inductance sum Lk; at
    high s, s L1 + sum Rk. Two inductors are common practice; each further section widens the
    band in which induced currents in iron are followed (J. Vanderkooy, J. Audio Eng. Soc. 37(3),
    1989).

    Args:
        corners: Corner frequencies Rk/(2 pi Lk) tried as starts [Hz], one tuple a start.
        grows_from: Ladder of one section less to start from, instead of all corners.
    """

    def __init__(
        self, name: str, corners: Sequence[tuple[float, ...]], grows_from: str | None = None
    ) -> None:
        sections = len(corners[0])
        self.name = name
        self.words = f"ladder of {_COUNTED[sections]} inductors"
        self.quantities = {
            "L1": Quantity("H", "coil inductance without losses", 1e-3, "mH"),
            **{
                f"L{k}": Quantity("H", f"coil inductance bridged by R{k}", 1e-3, "mH")
                for k in range(2, 2 + sections)
            },
            **{
                f"R{k}": Quantity("ohm", f"losses beside L{k}", 1, "ohm")
                for k in range(2, 2 + sections)
            },
        }
        self.grows_from = grows_from
        self.searched = grows_from is None
        self.size = 1 + 2 * sections
        self.shapes = tuple(tuple(2 * np.pi * corner for corner in start) for start in corners)
        self.typical = np.log(np.array([0.2e-3] + [0.3e-3, 5.0] * sections))

    def impedance(self, s: ComplexArray, internal: FloatArray) -> tuple[ComplexArray, ComplexArray]:
        """Impedance and derivatives by ln L1, ln L2, ln R2, ln L3, ..."""
        values = np.exp(internal)
        total = s * values[0]
        slopes = [total]
        for L, R in zip(values[1::2], values[2::2], strict=True):
            both = s * L + R
            section = s * L * R / both
            slopes += [section * R / both, section * s * L / both]
            total = total + section
        return total, np.array(slopes)

    def basis(self, s: ComplexArray, shape: Shape) -> ComplexArray:
        """Columns s and, for each corner, s/(1 + s/corner), with corners Rk/Lk [rad/s]."""
        return np.stack([s, *(s / (1 + s / corner) for corner in shape)], axis=1)

    def start(self, shape: Shape, coefficients: FloatArray) -> FloatArray:
        """ln L1, ln L2, ln R2, ln L3, ..."""
        first, *rest = np.maximum(coefficients, 1e3 * NEGLIGIBLE)
        pairs = [(L, L * corner) for L, corner in zip(rest, shape, strict=True)]
        return np.asarray(np.log(np.array([first, *(value for pair in pairs for value in pair)])))

    def grown(
        self, simpler: FloatArray, sections: Sequence[tuple[float, float]] = ()
    ) -> list[FloatArray]:
        """Propose one section more: those that would gain, and others about the old corners."""
        first, *rest = np.exp(simpler)
        corners = np.sort([R / L for L, R in zip(rest[::2], rest[1::2], strict=True)])
        between = np.sqrt(corners[1:] * corners[:-1])
        smallest = min(first, *rest[::2])
        around = (corners[0] / 6, *between, corners[-1] * 6)
        pairs = [*sections, *((0.5 * smallest, corner) for corner in around)]
        return [np.append(simpler, np.log([L, L * corner])) for L, corner in pairs]

    def reported(self, internal: FloatArray) -> Mapping[str, tuple[float, str]]:
        """L1, L2, R2, L3, R3, ..., sections by rising corner frequency."""
        first, *rest = (float(value) for value in np.exp(internal))
        found = {"L1": (first, "H")}
        pairs = sorted(zip(rest[::2], rest[1::2], strict=True), key=lambda pair: pair[1] / pair[0])
        for number, (L, R) in enumerate(pairs, start=2):
            found |= {f"L{number}": (L, "H"), f"R{number}": (R, "ohm")}
        return found

    def internal(self, values: Mapping[str, float]) -> tuple[FloatArray, Slopes]:
        """ln L1, ln L2, ln R2, ln L3, ..."""
        sections = range(2, 2 + self.size // 2)
        return logarithms(values, ["L1", *(f"{p}{k}" for k in sections for p in "LR")])

    def circuit(self, internal: FloatArray, band_hz: tuple[float, float]) -> list[Section]:
        """The ladder itself."""
        sizes = [value for value, _ in self.reported(internal).values()]
        return [(None, sizes[0]), *zip(sizes[2::2], sizes[1::2], strict=True)]
