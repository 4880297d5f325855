"""Voice-coil models: what the coil adds to its resistance.

Each model turns its own vector of unbounded numbers (logarithms of positive quantities, a
logistic map for a bounded one) into an impedance with its derivatives. For fixed `shapes` a
model is linear in non-negative coefficients, from which starting values are found.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from itertools import combinations
from typing import Any, Protocol

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
ComplexArray = NDArray[np.complex128]
Shape = tuple[float, ...]
"""Parameters that do not enter linearly."""

REFERENCE = 2 * np.pi * 1000.0
"""Angular frequency [rad/s] at which a power law is anchored inside the fit."""

_NEGLIGIBLE = 1e-9
"""Inductance [H] that stands for none where a logarithm is needed."""


def _logistic(x: Any) -> Any:
    """1/(1 + exp(-x)) without overflow."""
    return 0.5 + 0.5 * np.tanh(0.5 * x)


class CoilModel(Protocol):
    """A voice coil as part of the electrical impedance.

    Attributes:
        name: As given to `fit_driver` and reported.
        size: Number of internal parameters.
        shapes: Values of the parameters that do not enter linearly, tried as starts.
        typical: Internal parameters of an ordinary coil, where data say nothing about one.
        grows_from: Name of the simpler model whose solution this one starts from, if any.
        searched: Whether starts are looked for over its `shapes`.
    """

    name: str
    size: int
    shapes: tuple[Shape, ...]
    typical: FloatArray
    grows_from: str | None
    searched: bool

    def impedance(self, s: ComplexArray, internal: FloatArray) -> tuple[ComplexArray, ComplexArray]:
        """Impedance [ohm], shape (n,), and its derivatives, shape (size, n), at s [rad/s].

        Parameters of shape (size, r, 1) give r impedances at once, with a shape of (r, n).
        """
        ...

    def grown(
        self, simpler: FloatArray, sections: Sequence[tuple[float, float]] = ()
    ) -> list[FloatArray]:
        """Starts from the parameters of the model that this one grows from.

        Args:
            simpler: Those parameters.
            sections: Inductance [H] and corner [rad/s] of sections that would gain.
        """
        ...

    def basis(self, s: ComplexArray, shape: Shape) -> ComplexArray:
        """Columns in which the impedance is linear for a given shape, shape (n, k)."""
        ...

    def start(self, shape: Shape, coefficients: FloatArray) -> FloatArray:
        """Internal parameters from a shape and non-negative coefficients, shape (size,)."""
        ...

    def reported(self, internal: FloatArray) -> Mapping[str, tuple[float, str]]:
        """The model's parameters under their own names: value and unit."""
        ...

    def internal(self, values: Mapping[str, float]) -> tuple[FloatArray, list[dict[str, float]]]:
        """Internal parameters from reported ones, and the derivatives of each by these.

        Raises:
            KeyError: If a parameter of the model is missing.
        """
        ...


class Plain:
    """A lossless inductance, Zc = s Le.

    Zero at s = 0, grows without limit as s. Right for a coil without iron; below the corner of
    eddy currents for others (A. N. Thiele, J. Audio Eng. Soc. 19(5), 1971).
    """

    name = "plain"
    size = 1
    shapes: tuple[Shape, ...] = ((),)
    typical: FloatArray = np.log([0.3e-3])
    grows_from: str | None = None
    searched = True

    def grown(
        self, simpler: FloatArray, sections: Sequence[tuple[float, float]] = ()
    ) -> list[FloatArray]:
        """None."""
        return []

    def impedance(self, s: ComplexArray, internal: FloatArray) -> tuple[ComplexArray, ComplexArray]:
        """Impedance and derivative by ln Le."""
        z = s * np.exp(internal[0])
        return z, z[None]

    def basis(self, s: ComplexArray, shape: Shape) -> ComplexArray:
        """One column, s."""
        return s[:, None]

    def start(self, shape: Shape, coefficients: FloatArray) -> FloatArray:
        """ln Le."""
        return np.asarray(np.log(np.maximum(coefficients, _NEGLIGIBLE)))

    def reported(self, internal: FloatArray) -> Mapping[str, tuple[float, str]]:
        """Nothing beyond Le, which every model reports."""
        return {}

    def internal(self, values: Mapping[str, float]) -> tuple[FloatArray, list[dict[str, float]]]:
        """ln Le; ln L1 where Le is that of coil and ring together."""
        return _logarithms(values, ["L1" if "L1" in values else "Le"])


class Ladder:
    """Inductors in series, all but the first bridged by eddy losses.

    Zc = s L1 + sum over k > 1 of (s Lk parallel Rk). Zero at s = 0 with inductance sum Lk; at
    high s, s L1 + sum Rk. Two inductors are common practice; each further section widens the
    band in which induced currents in iron are followed (J. Vanderkooy, J. Audio Eng. Soc. 37(3),
    1989).

    Args:
        name: Of the model.
        corners: Corner frequencies Rk/(2 pi Lk) tried as starts [Hz], one tuple a start.
        grows_from: Ladder of one section less to start from, instead of all corners.
    """

    def __init__(
        self, name: str, corners: Sequence[tuple[float, ...]], grows_from: str | None = None
    ) -> None:
        sections = len(corners[0])
        self.name = name
        self.grows_from = grows_from
        self.searched = grows_from is None
        self.size = 1 + 2 * sections
        self.shapes: tuple[Shape, ...] = tuple(
            tuple(2 * np.pi * corner for corner in start) for start in corners
        )
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
        first, *rest = np.maximum(coefficients, 1e3 * _NEGLIGIBLE)
        pairs = [(L, L * corner) for L, corner in zip(rest, shape, strict=True)]
        return np.asarray(np.log(np.array([first, *(value for pair in pairs for value in pair)])))

    def grown(
        self, simpler: FloatArray, sections: Sequence[tuple[float, float]] = ()
    ) -> list[FloatArray]:
        """One section more: those that would gain, and others about the corners there are."""
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

    def internal(self, values: Mapping[str, float]) -> tuple[FloatArray, list[dict[str, float]]]:
        """ln L1, ln L2, ln R2, ln L3, ..."""
        sections = range(2, 2 + self.size // 2)
        return _logarithms(values, ["L1", *(f"{p}{k}" for k in sections for p in "LR")])


class Lossy:
    """A lossy inductance, Zc = K s^n with 0.5 < n < 1 and s in rad/s.

    Zero at s = 0; the phase is n times 90 degrees throughout. W. M. Leach, J. Audio Eng. Soc.
    50(6), 2002; n = 1/2 is the limit of diffusion into solid iron (J. Vanderkooy, J. Audio Eng.
    Soc. 37(3), 1989), n = 1 an inductance.
    """

    name = "lossy"
    size = 2
    shapes: tuple[Shape, ...] = tuple(
        (n,) for n in (0.52, 0.56, 0.6, 0.65, 0.7, 0.75, 0.8, 0.85, 0.9, 0.95)
    )
    typical: FloatArray = np.array([np.log(3.0), 0.0])
    grows_from: str | None = None
    searched = True

    def grown(
        self, simpler: FloatArray, sections: Sequence[tuple[float, float]] = ()
    ) -> list[FloatArray]:
        """None."""
        return []

    def impedance(self, s: ComplexArray, internal: FloatArray) -> tuple[ComplexArray, ComplexArray]:
        """Impedance and derivatives by ln |Zc(REFERENCE)| and by the logit of 2 n - 1."""
        share = _logistic(internal[1])
        n = 0.5 + 0.5 * share
        # One logarithm instead of complex powers: s is +j omega on the whole imaginary axis.
        logarithm = np.log(s / REFERENCE)
        z = np.exp(internal[0] + n * logarithm)
        return z, np.array([z, z * logarithm * (0.5 * share * (1 - share))])

    def basis(self, s: ComplexArray, shape: Shape) -> ComplexArray:
        """One column, (s/REFERENCE)^shape, with shape = (n,)."""
        return ((s / REFERENCE) ** shape[0])[:, None]

    def start(self, shape: Shape, coefficients: FloatArray) -> FloatArray:
        """ln |Zc(REFERENCE)| and the logit of 2 n - 1."""
        share = 2 * shape[0] - 1
        size = max(float(coefficients[0]), REFERENCE * _NEGLIGIBLE)
        return np.array([np.log(size), np.log(share / (1 - share))])

    def reported(self, internal: FloatArray) -> Mapping[str, tuple[float, str]]:
        """K [ohm at 1 rad/s] and n."""
        n = 0.5 + 0.5 * float(_logistic(internal[1]))
        return {"K": (float(np.exp(internal[0])) * REFERENCE**-n, "ohm"), "n": (n, "1")}

    def internal(self, values: Mapping[str, float]) -> tuple[FloatArray, list[dict[str, float]]]:
        """ln |Zc(REFERENCE)| and the logit of 2 n - 1."""
        return _power(values, "K", "n", (0.5, 1.0))


class Empirical:
    """Resistance Kr w^Xr and reactance Ki w^Xi, each a power law of its own.

    J. R. Wright, J. Audio Eng. Soc. 38(10), 1990. Zero at w = 0 and unbounded above. It is
    stated on the imaginary axis only and unless Xr = Xi = n with Ki/Kr = tan(n pi/2), where it
    is the lossy inductance, no causal circuit does it: it follows a curve inside its band and
    says nothing beyond.
    """

    name = "empirical"
    size = 4
    shapes: tuple[Shape, ...] = tuple(
        (Xr, Xi) for Xr in (0.45, 0.7, 1.0) for Xi in (0.6, 0.75, 0.9, 1.0)
    )
    typical: FloatArray = np.array([np.log(2.0), 0.0, np.log(2.0), 0.0])
    grows_from: str | None = "lossy"
    searched = True

    def impedance(self, s: ComplexArray, internal: FloatArray) -> tuple[ComplexArray, ComplexArray]:
        """By ln Kr w^Xr and ln Ki w^Xi at `REFERENCE`, and by the logit of X in its range."""
        logarithm = np.log(s.imag / REFERENCE)
        parts, slopes = [], []
        for unit, (size, logit) in ((1.0, internal[:2]), (1j, internal[2:])):
            part = unit * np.exp(size + _exponent(logit) * logarithm)
            parts.append(part)
            share = _logistic(logit)
            slopes += [part, part * logarithm * ((STEEPEST - FLATTEST) * share * (1 - share))]
        return parts[0] + parts[1], np.array(slopes)

    def basis(self, s: ComplexArray, shape: Shape) -> ComplexArray:
        """Columns (w/REFERENCE)^Xr and j (w/REFERENCE)^Xi, with shape = (Xr, Xi)."""
        w = s.imag / REFERENCE
        return np.stack([w ** shape[0] + 0j, 1j * w ** shape[1]], axis=1)

    def start(self, shape: Shape, coefficients: FloatArray) -> FloatArray:
        """ln Kr w^Xr, logit Xr, ln Ki w^Xi, logit Xi."""
        size = np.log(np.maximum(coefficients, REFERENCE * _NEGLIGIBLE))
        share = (np.array(shape) - FLATTEST) / (STEEPEST - FLATTEST)
        return np.stack([size, np.log(share / (1 - share))], axis=1).ravel()

    def grown(
        self, simpler: FloatArray, sections: Sequence[tuple[float, float]] = ()
    ) -> list[FloatArray]:
        """The lossy inductance itself."""
        n = 0.5 + 0.5 * _logistic(simpler[1])
        angle = n * np.pi / 2
        size = np.exp(simpler[0]) * np.array([np.cos(angle), np.sin(angle)])
        return [self.start((n, n), size)]

    def reported(self, internal: FloatArray) -> Mapping[str, tuple[float, str]]:
        """Kr, Xr, Ki, Xi, with w in rad/s and K in ohm."""
        found: dict[str, tuple[float, str]] = {}
        for letter, (size, logit) in (("r", internal[:2]), ("i", internal[2:])):
            X = float(_exponent(logit))
            found[f"K{letter}"] = (float(np.exp(size - X * np.log(REFERENCE))), "ohm")
            found[f"X{letter}"] = (X, "1")
        return found

    def internal(self, values: Mapping[str, float]) -> tuple[FloatArray, list[dict[str, float]]]:
        """ln Kr w^Xr, logit Xr, ln Ki w^Xi, logit Xi."""
        resistance, rows = _power(values, "Kr", "Xr", (FLATTEST, STEEPEST))
        reactance, more = _power(values, "Ki", "Xi", (FLATTEST, STEEPEST))
        return np.concatenate([resistance, reactance]), rows + more


FLATTEST, STEEPEST = 0.3, 1.5
"""Least and greatest exponent of an empirical coil; a flatter one would stand in for Re."""


def _exponent(logit: Any) -> Any:
    return FLATTEST + (STEEPEST - FLATTEST) * _logistic(logit)


def _logarithms(
    values: Mapping[str, float], names: Sequence[str]
) -> tuple[FloatArray, list[dict[str, float]]]:
    found = np.log([values[name] for name in names])
    return np.asarray(found), [{name: 1 / values[name]} for name in names]


def _power(
    values: Mapping[str, float], size: str, exponent: str, limits: tuple[float, float]
) -> tuple[FloatArray, list[dict[str, float]]]:
    """Logarithm of size w^exponent at `REFERENCE`, logit of the exponent between its limits."""
    K, X, anchor, span = values[size], values[exponent], np.log(REFERENCE), limits[1] - limits[0]
    share = min(max((X - limits[0]) / span, 1e-6), 1 - 1e-6)
    return np.array([np.log(K) + X * anchor, np.log(share / (1 - share))]), [
        {size: 1 / K, exponent: float(anchor)},
        {exponent: 1 / (span * share * (1 - share))},
    ]


_CORNERS = [float(f) for f in np.geomspace(60.0, 30e3, 13)]
_WIDE = _CORNERS[1::3]

MODELS: tuple[CoilModel, ...] = (
    Plain(),
    Lossy(),
    Ladder("ladder", [(corner,) for corner in _CORNERS]),
    Empirical(),
    Ladder("ladder3", list(combinations(_WIDE, 2)), grows_from="ladder"),
    Ladder("ladder4", list(combinations(_WIDE, 3)), grows_from="ladder3"),
)
"""Every coil model, simplest first; one that grows stands behind what it grows from."""
