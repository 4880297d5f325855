"""Distance of a curve from anything causal and passive: reactance against resistance."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from meas.curve import ComplexArray, FloatArray
from meas.passivity.bode import log_coth_integral
from meas.passivity.nonnegative import partly_nonnegative
from meas.passivity.spline import cubic_spline

_FLOOR = 1e-3
"""Relative misfit that counts as one: what interpolation and a unit that warms a little leave."""
_FINER = 3  # pieces of the interpolated resistance from point to point
_LEFT_OUT = 3  # points at either end, where the unknown beyond begins at once
_BELOW = (0.0, 0.3, 1.0, 3.0)
_ABOVE = (0.0, 0.3, 1.0, 2.0, 4.0)
"""Where the pieces of the resistance beyond the band end, in ln f from its ends."""
_SLOPE_BELOW = 0.005
"""Slope of the resistance below the band, re |Z|, per unit of ln f: a driver is its coil there, and
what a creeping suspension adds falls with frequency."""
_MOST_POLES = 6
_RESOLVED = 2e-4
_HALF_WIDTHS = (3, 5, 8)


@dataclass(frozen=True, eq=False)
class Causality:
    """Departure of a curve from the Kramers-Kronig relations.

    Attributes:
        misfit: Root mean square of what no passive one-port on this bench explains of the
            reactance, re |Z|, implausibly large errors of the bench counted in.
        residual: Part of the reactance that is left, re |Z|, shape (n,).
        bent: Errors of the bench that explain most, in standard uncertainties, shape (k,).
    """

    misfit: float
    residual: FloatArray
    bent: FloatArray


class Reactances:
    """Reactance that belongs to a resistance, on one grid of frequencies.

    An impedance without poles in the right half plane has X(w) = wL + (2w/pi) P int R(x)/(x^2 -
    w^2) dx (H. W. Bode, Network Analysis and Feedback Amplifier Design, 1945, chapter 14), in t =
    ln w after integration by parts (1/pi) int R'(u) ln coth|(u - t)/2| du. R is taken as straight
    between finely interpolated points, whose integral is a Legendre chi function: a positive-real
    expansion with as many poles as points, in which the coefficients are the measured resistance
    itself (B. A. Boukamp, J. Electrochem. Soc. 142, 1995, 1885, fits fewer to both parts).

    Args:
        frequency_hz: Increasing [Hz], shape (n,).
    """

    def __init__(self, frequency_hz: FloatArray) -> None:
        self.t: FloatArray = np.log(frequency_hz)
        count = self.t.size
        places = np.arange((count - 1) * _FINER + 1) / _FINER
        self._u = np.interp(places, np.arange(count), self.t)
        self._pieces = np.diff(log_coth_integral(self._u[None, :] - self.t[:, None]), axis=1)

    def of(self, resistance: FloatArray) -> FloatArray:
        """Reactance of a resistance that stays as it is beyond the band, shape (n,) or (n, k)."""
        fine = cubic_spline(self.t, resistance, self._u)
        spread = np.diff(self._u).reshape((-1,) + (1,) * (resistance.ndim - 1))
        return np.asarray(self._pieces @ (np.diff(fine, axis=0) / spread) / np.pi)

    def beyond(self) -> tuple[FloatArray, FloatArray]:
        """Reactance for a unit slope of the resistance in each piece below and above, (n, k)."""
        low, high = self.t[0] - self.t[:, None], self.t[-1] - self.t[:, None]
        below, above = np.array(_BELOW), np.array(_ABOVE)
        return (
            np.asarray(-np.diff(log_coth_integral(low - below), axis=1) / np.pi),
            np.asarray(np.diff(log_coth_integral(high + above), axis=1) / np.pi),
        )


def causality(
    impedance_ohm: ComplexArray,
    uncertainty_ohm: FloatArray,
    bent_ohm: ComplexArray,
    reactances: Reactances,
    *,
    capacitive: bool = False,
) -> Causality:
    """Compare the reactance of a curve with that which its resistance asks for.

    What may differ: noise; an inductance, and a resistance that rises further beyond the band,
    neither of them negative; a resistance that varies a little below the band; the errors of the
    bench, each with its standard uncertainty. All are linear, and fitted together by least
    squares (C. Lawson, R. Hanson, Solving Least Squares Problems, 1974, for those of one sign).
    Resonances that the points resolve badly are taken off first as complex poles, which are causal
    by themselves.

    Args:
        impedance_ohm: The curve [ohm], shape (n,).
        uncertainty_ohm: Random, of each part [ohm], shape (n,).
        bent_ohm: Its change for one standard uncertainty of each error of the bench, shape (n, k).
        capacitive: Whether it may become a capacitor below the band.
    """
    size = np.abs(impedance_ohm)
    frequency_hz = np.exp(reactances.t)
    rest = _without_resonances(frequency_hz, impedance_ohm)
    both = np.concatenate([rest[:, None], bent_ohm], axis=1)
    off = both.imag - reactances.of(both.real)
    below, above = reactances.beyond()
    ends = [frequency_hz[:, None] / frequency_hz[-1] * size[-1]]
    if capacitive:
        ends.append(-frequency_hz[0] / frequency_hz[:, None] * size[0])
    free = np.concatenate([off[:, 1:], below * (_SLOPE_BELOW * size[0])], axis=1)
    positive = np.concatenate([above * size[-1], *ends], axis=1)
    weight = 1 / np.sqrt(2 * uncertainty_ohm**2 + unresolved(rest) ** 2 + (_FLOOR * size) ** 2)
    kept = slice(_LEFT_OUT, -_LEFT_OUT)
    columns = np.concatenate([free, positive], axis=1)
    rows = (columns * weight[:, None])[kept]
    matrix = np.concatenate([rows, np.eye(free.shape[1], columns.shape[1])])
    scale = np.sqrt(np.sum(matrix**2, axis=0)) + 1e-300
    target = np.concatenate([(off[:, 0] * weight)[kept], np.zeros(free.shape[1])])
    found = partly_nonnegative(matrix / scale, target, free.shape[1])
    left = float(np.linalg.norm(matrix / scale @ found - target))
    found = found / scale
    residual = (off[:, 0] - columns @ found) / size
    misfit = _FLOOR * left / np.sqrt(rows.shape[0])
    return Causality(misfit, residual, found[: bent_ohm.shape[1]])


def unresolved(impedance_ohm: ComplexArray) -> FloatArray:
    """Distance of each point from the cubic through two neighbours a side, shape (n,)."""
    z = impedance_ohm
    off = np.zeros(z.size)
    off[2:-2] = np.abs(z[2:-2] - (4 * (z[1:-3] + z[3:-1]) - (z[:-4] + z[4:])) / 6)
    return off


def _without_resonances(frequency_hz: FloatArray, impedance_ohm: ComplexArray) -> ComplexArray:
    """The curve less the complex poles at which its points are too far apart for a spline."""
    rest, size = impedance_ohm, np.abs(impedance_ohm)
    for _ in range(_MOST_POLES):
        off = unresolved(rest) / size
        worst = int(np.argmax(off))
        if off[worst] < _RESOLVED:
            break
        tried = [
            rest - taken
            for half in _HALF_WIDTHS
            if (taken := _pole_near(frequency_hz, rest, worst, half)) is not None
        ]
        if not tried:
            break
        best = min(tried, key=lambda one: _largest(unresolved(one) / size))
        if _largest(unresolved(best) / size) > 0.7 * _largest(off):
            break
        rest = best
    return rest


def _largest(off: FloatArray) -> float:
    return float(np.mean(np.partition(off, -5)[-5:]))


def _pole_near(
    frequency_hz: FloatArray, impedance_ohm: ComplexArray, at: int, half: int
) -> ComplexArray | None:
    """A stable pole near a point with its mirror image, by a local rational function.

    Linear in its unknowns as in vector fitting (B. Gustavsen, A. Semlyen, IEEE Trans. Power
    Delivery 14, 1999, 1052). None where the points show no pole of at least a Q of one.
    """
    near: NDArray[np.intp] = np.arange(max(at - half, 0), min(at + half + 1, frequency_hz.size))
    x = (frequency_hz[near] - frequency_hz[at]) / frequency_hz[at]
    z = impedance_ohm[near]
    columns = np.stack([np.ones_like(x), x, x * x, -x * z], axis=1)
    scale = np.sqrt(np.sum(np.abs(columns) ** 2, axis=0)) + 1e-300
    a, b, c, d = np.linalg.lstsq(columns / scale, z, rcond=1e-10)[0] / scale
    if abs(d) < 2.0:
        return None
    place = -1 / d
    pole = frequency_hz[at] * (1 + place)
    if pole.imag <= 0 or pole.real < 2 * pole.imag:
        return None
    strength = (a + b * place + c * place**2) / d * frequency_hz[at]
    return np.asarray(
        strength / (frequency_hz - pole) - np.conj(strength) / (frequency_hz + np.conj(pole))
    )
