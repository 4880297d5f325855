"""Model error of a curve: what a model fails to follow, turned into a variance.

Beyond its noise every real driver departs from every model by per cents of |Z| somewhere. The
departure is smooth, so that neighbouring residuals repeat each other: n points tell as much as
n/tau independent ones.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from meas.curve import ComplexArray, FloatArray

_WIDTH = 0.35
"""Standard deviation of the smoothing kernel in ln f: half an octave."""
_SIGNIFICANT = 4.2
"""Standard normal deviate of the excess over noise below which a misfit counts as none; one chance
in 75,000 at each of some ten places of a curve."""


_STRUCTURED = 1.5
"""Autocorrelation length up to which residuals count as scatter from point to point."""
_LEAST_LEFT = 0.1
"""Least share of its variance that a point keeps, whatever its leverage."""
_RIDGE = 1e-10
_COMMON = 0.5
"""Correlation between takes of what a model misses at the same frequency."""
_RANGE = 2.0
"""Factor by which the weights follow a local model error off its root mean square.

Further, a stretch that fits badly would lose its weight, then fit worse: with creep the fit would
give up the resonance in favour of kilohertz.
"""


@dataclass(frozen=True, eq=False)
class Misfit:
    """Model error of one curve.

    Attributes:
        relative: Standard deviation of each component over |Z|, shape (n,).
        length: Points over which it repeats itself (integrated autocorrelation length), >= 1.
        freedom: Independent points left after the parameters took theirs.
    """

    relative: FloatArray
    length: float
    freedom: float

    @property
    def level(self) -> float:
        """Root mean square of the relative model error."""
        return float(np.sqrt(np.mean(self.relative**2)))

    @property
    def structured(self) -> bool:
        """Tell whether neighbouring residuals repeat each other, unlike scatter."""
        return self.level > 0 and self.length > _STRUCTURED

    def weighing_variance(self, magnitude: FloatArray) -> FloatArray:
        """Variance per component that weighs n correlated points as n/length independent ones."""
        limited = np.clip(self.relative, self.level / _RANGE, self.level * _RANGE)
        return self.length * (limited * magnitude) ** 2


def estimate(
    frequency: FloatArray,
    residual: ComplexArray | FloatArray,
    magnitude: FloatArray,
    noise: FloatArray,
    leverage: FloatArray,
    *,
    stated: bool,
) -> Misfit:
    """Estimate the local model error from the residuals of a fit.

    The relative variance is the excess of the squared residuals over noise, smoothed along ln f
    (weighted moments, as for the between-study variance of R. DerSimonian, N. Laird, Controlled
    Clinical Trials 7, 1986).

    Args:
        frequency: Shape (n,) [Hz].
        residual: Model minus data [ohm], complex or real.
        magnitude: |Z| [ohm].
        noise: Random standard uncertainty per component [ohm]; zero where unknown.
        leverage: Share of each point's variance that the parameters absorb, shape (n,); the
            points that weigh most lose most of their residuals to them (D. C. Hoaglin, R. E.
            Welsch, Am. Stat. 32(1), 1978).
        stated: Whether the noise is all the random error there is; otherwise any excess over it
            counts, be it significant or not.
    """
    components = 2 if np.iscomplexobj(residual) else 1
    n = frequency.size
    q = np.abs(residual) ** 2 / magnitude**2 / components
    v = noise**2 / magnitude**2
    left = np.maximum(1 - leverage, _LEAST_LEFT)
    q = q / left
    parameters = components * float(np.sum(leverage))
    excess = _excess(q, v, _kernel(frequency.tobytes(), components), components, stated=stated)
    if not np.any(excess > 0):
        return Misfit(np.zeros(n), 1.0, float("inf"))
    fraction = excess / (excess + v)
    normal = residual / magnitude * np.sqrt(fraction / (excess + v))
    length = autocorrelation_length(normal)
    # What the parameters absorbed of a smooth misfit does not show in the residual.
    independent = max(components * n / length, parameters + 1.0)
    freedom = independent - parameters
    share = 1 - parameters / (components * n)
    widened = excess * np.clip(independent / max(freedom, 1.0) * share, 1.0, 4.0)
    widened = np.maximum(widened, np.mean(widened) / _RANGE**2)
    return Misfit(np.sqrt(widened), length, max(freedom, 2.0))


def leverages(jacobian: FloatArray) -> FloatArray:
    """Diagonal of the hat matrix J (J'J)^-1 J', shape (m,).

    Args:
        jacobian: Derivatives of the weighted residuals, priors included, shape (m, p).
    """
    scale = np.sqrt(np.einsum("mp,mp->p", jacobian, jacobian))
    columns = jacobian / np.where(scale > 0, scale, 1.0)
    normal = columns.T @ columns + _RIDGE * np.eye(scale.size)
    solved = np.linalg.solve(np.linalg.cholesky(normal), columns.T)
    return np.asarray(np.einsum("pm,pm->m", solved, solved))


@dataclass(frozen=True, eq=False)
class _Kernel:
    """Smoothing weights, shape (n, n), and the sum of the squares of each row."""

    weights: FloatArray
    squares: FloatArray


@lru_cache(maxsize=16)
def _kernel(frequencies: bytes, components: int) -> _Kernel:
    """Smoothing weights along ln f; a short curve is smoothed as a whole.

    Every round of every candidate smooths the same few curves.
    """
    x = np.log(np.frombuffer(frequencies, dtype=np.float64))
    if x.size * components < 80:
        weights = np.full((x.size, x.size), 1.0 / x.size)
    else:
        weights = np.exp(-0.5 * ((x[:, None] - x[None, :]) / _WIDTH) ** 2)
        weights = weights / np.sum(weights, axis=1, keepdims=True)
    return _Kernel(weights, np.sum(weights**2, axis=1))


def _excess(
    q: FloatArray, v: FloatArray, kernel: _Kernel, components: int, *, stated: bool
) -> FloatArray:
    """Positive and, where v is stated, significant part of the smoothed excess of q over v."""
    level = max(float(np.mean(q - v)), 0.0)
    for _ in range(4):
        weight = 1 / (v + level + 1e-14) ** 2
        level = max(float(np.sum(weight * (q - v)) / np.sum(weight)), 0.0)
    # The weights follow the noise alone: with a model error that differs from place to place,
    # its own would count the places where it is small.
    weight = 1 / (v + level + 1e-14) ** 2
    smooth = kernel.weights
    with np.errstate(divide="ignore", invalid="ignore"):
        over_noise = np.where(v > 0, q / v, 1.0)
    # The kernel is long to read: all three at once.
    above, weights, ratio = (smooth @ np.array([weight * (q - v), weight, over_noise]).T).T
    excess = np.maximum(above / weights, 1e-14)
    # A mean of n squares is chi-square over n; its tail by E. B. Wilson, M. M. Hilferty, Proc.
    # Nat. Acad. Sci. 17, 1931.
    spread = 2 / 9 * kernel.squares / components
    shown = ratio > (1 - spread + _SIGNIFICANT * np.sqrt(spread)) ** 3
    return np.where(shown | (not stated), excess, 0.0)


def autocorrelation_length(values: ComplexArray | FloatArray) -> float:
    """Integrated autocorrelation length of a sequence, at least 1.

    Window after A. Sokal (Monte Carlo methods in statistical mechanics, 1996): the sum stops at
    the first lag that is five times the length so far.

    Args:
        values: Zero-mean sequence, shape (n,).
    """
    n = values.size
    size = 1 << (2 * n - 1).bit_length()
    spectrum = np.abs(np.fft.fft(values, size)) ** 2
    correlation = np.real(np.fft.ifft(spectrum))[:n]
    if correlation[0] <= 0:
        return 1.0
    correlation = correlation / correlation[0]
    lengths = 2 * np.cumsum(correlation) - 1
    lags = np.arange(n)
    stop = np.flatnonzero(lags >= 5 * lengths)
    return float(max(1.0, np.max(lengths[: (int(stop[0]) if stop.size else n - 1) + 1])))


def correlation(frequencies: Sequence[FloatArray], misfits: Sequence[Misfit]) -> FloatArray:
    """Correlation of the model errors of all points of all takes, shape (n, n).

    Exponential in ln f, of a length that repeats as often as the residuals do. What a model
    misses of the coil it misses in every take, what it misses of a suspension differs: between
    takes half of it is common.

    Args:
        frequencies: Frequencies of each take [Hz].
        misfits: Model error of each take.
    """
    x = np.log(np.concatenate(frequencies))
    take = np.repeat(np.arange(len(misfits)), [f.size for f in frequencies])
    spacing = np.array([math.log(f[-1] / f[0]) / max(f.size - 1, 1) for f in frequencies])
    length = spacing * np.array([m.length for m in misfits]) / 2
    reach = np.maximum((length[take][:, None] + length[take][None, :]) / 2, 1e-6)
    structured = np.array([m.structured for m in misfits])[take]
    shared = np.where(take[:, None] == take[None, :], 1.0, _COMMON)
    found = shared * np.exp(-np.abs(x[:, None] - x[None, :]) / reach)
    found = np.where(structured[:, None] & structured[None, :], found, 0.0)
    np.fill_diagonal(found, 1.0)
    return np.asarray(found)
