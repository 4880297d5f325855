"""Spectra of whole blocks and their reduction to independent points without bias.

In windows of 1/40 octave that do not overlap, V2 is regressed on V1 with H a complex polynomial
of second degree in frequency, all passes together. Least squares weights every bin with |V1|^2
by itself, and the value at the centroid of energy is the point. The fit is exact for a parabola;
what is left at a resonance of quality Q is of fourth order: with x = 2 Q times the relative half
width of the window (0.0087) the error of H is below (3/35) x^4. At Q = 10 (Qms 15, Qes 2
behind 100 ohm) that is 8e-5. (Local polynomial regression: W. S. Cleveland, S. J. Devlin,
J. Am. Stat. Assoc. 83, 1988; for transfer functions: R. Pintelon, J. Schoukens, System
Identification, 2nd ed., Wiley/IEEE 2012, chapter 7.)

Where a window holds fewer than five lines, each line is a point of its own.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import fft, special

from meas.curve import ComplexArray, FloatArray
from meas.passes import Pass, Passes

POINTS_PER_OCTAVE = 40
_LOWEST_HZ = 1.0
_FEWEST_LINES = 5
# A line with less than this share of the strongest in its window tells next to nothing.
_INFORMATIVE = 1e-3
_EDGE_SECONDS = 0.02
_TAIL_TAPER_SECONDS = 0.2
_POOLED_NEIGHBOURS = 10
_QUARTIC_RUN = 7
# Lines of a Hann-windowed spectrum are correlated by 2/3 and 1/6 with their neighbours (F. J.
# Harris, Proc. IEEE 66, 1978). Their squares, and sums over a drive of random phase, are worth
# 1/(1 + 2 (4/9 + 1/36)) = 0.51 independent lines each.
_HANN_FREEDOM = 1.0 / (1.0 + 2.0 * (4.0 / 9.0 + 1.0 / 36.0))


@dataclass(frozen=True, eq=False)
class Spectra:
    """Spectra of the blocks on one grid, white noise of variance s^2 having mean square s^2.

    Attributes:
        first_bin: Number of the first line kept.
        bin_hz: Spacing [Hz].
        source: V1, complex, shape (p, k).
        driver: V2, complex, shape (p, k).
        tapered: True when a Hann taper had to be used because the record is not contained.
        variance_factor: How much correlation between lines raises the variance of a mean.
        freedom_factor: Independent lines per line, for counting degrees of freedom.
    """

    first_bin: int
    bin_hz: float
    source: ComplexArray
    driver: ComplexArray
    tapered: bool
    variance_factor: float
    freedom_factor: float

    @property
    def frequency_hz(self) -> FloatArray:
        """Of the lines [Hz], shape (k,)."""
        lines = self.first_bin + np.arange(self.source.shape[1], dtype=np.float64)
        return lines * self.bin_hz


@dataclass(frozen=True, eq=False)
class Points:
    """Reduced points, before any decision which of them to keep.

    Attributes:
        frequency_hz: Centroid of energy [Hz], shape (n,).
        ratio: H, complex, shape (n,).
        gain: Variance of each part of H per unit of noise power, shape (n,).
        residual_power: Power per line that V1 does not explain, from scatter, shape (n,).
        width_hz: Width of the window [Hz], shape (n,).
        source_power: Mean |V1|^2 of the lines that count, shape (n,).
        pass_ratio: H of each pass, complex, shape (p, n).
        pass_gain: As ``gain`` for each pass, shape (p, n).
    """

    frequency_hz: FloatArray
    ratio: ComplexArray
    gain: FloatArray
    residual_power: FloatArray
    width_hz: FloatArray
    source_power: FloatArray
    pass_ratio: ComplexArray
    pass_gain: FloatArray


def spectra_of_passes(samples: NDArray[np.float32], sample_rate_hz: int, passes: Passes) -> Spectra:
    """Spectra of the block of each pass, or of the whole record when it is not contained.

    Args:
        samples: Source input and driver input, shape (n, 2).
        sample_rate_hz: Rate [Hz].
        passes: Where the passes are.

    Returns:
        The spectra from 1 Hz (or two lines) to just below half the sample rate.
    """
    blocks = passes.passes
    lengths = np.array([block.end - block.begin for block in blocks])
    size = int(lengths.max())
    unpadded = not passes.contained and passes.swept and not passes.silences
    if not unpadded:
        size = fft.next_fast_len(size, real=True)
    bin_hz = sample_rate_hz / size
    first = max(2, int(np.ceil(_LOWEST_HZ / bin_hz)))
    last = (size - 1) // 2
    source, driver = (
        np.empty((len(blocks), max(0, last - first)), dtype=np.complex128) for _ in (0, 1)
    )
    tapered = not passes.contained and not passes.swept
    # Over the very length of the record an unknown offset is in the line at zero alone.
    offset = np.zeros(2) if unpadded else _offset(samples, passes)
    for row, block in enumerate(blocks):
        window = np.ones(lengths[row])
        if not unpadded:
            window = _window(block, sample_rate_hz, passes, tapered)
        scale = 1.0 / np.sqrt(np.dot(window, window))
        for channel, out in ((0, source), (1, driver)):
            values = samples[block.begin : block.end, channel].astype(np.float64)
            values -= offset[channel]
            values *= window
            out[row] = fft.rfft(values, size, overwrite_x=True)[first:last]
            out[row] *= scale
    # Zeros appended to a block make its lines depend on each other by as much.
    padding = size / float(lengths.mean())
    return Spectra(
        first,
        bin_hz,
        source,
        driver,
        tapered,
        padding * (1.0 / _HANN_FREEDOM if tapered else 1.0),
        _HANN_FREEDOM / padding if tapered else 1.0 / padding,
    )


def _offset(samples: NDArray[np.float32], passes: Passes) -> FloatArray:
    """What the inputs read without signal, shape (2,).

    The mean of a block would be wrong: a sweep has a mean of its own, and taking that out of
    a block that is silent at its edges would add a step there.
    """
    parts = passes.silences or ((0, samples.shape[0]),)
    total = sum(np.sum(samples[begin:end], axis=0, dtype=np.float64) for begin, end in parts)
    return np.asarray(total / sum(end - begin for begin, end in parts), dtype=np.float64)


def _window(block: Pass, sample_rate_hz: int, passes: Passes, tapered: bool) -> FloatArray:
    """Weights of the samples of a block.

    A contained block is tapered only where it is silent, which keeps the leakage of hum and of
    drift short and leaves the ratio exact.
    """
    length = block.end - block.begin
    if tapered:
        return np.hanning(length + 2)[1:-1]
    edge = max(1, round(_EDGE_SECONDS * sample_rate_hz))
    head = tail = min(edge, length // 4)
    if passes.contained:
        head = max(1, min(head, (block.start - block.begin) // 2))
        rest = (block.end - block.stop) // 3
        tail = max(1, min(round(_TAIL_TAPER_SECONDS * sample_rate_hz), rest))
    window = np.ones(length)
    window[:head] = 0.5 - 0.5 * np.cos(np.pi * (np.arange(head) + 0.5) / head)
    window[-tail:] = 0.5 + 0.5 * np.cos(np.pi * (np.arange(tail) + 0.5) / tail)
    return window


def reduce_to_points(spectra: Spectra) -> Points | None:
    """Reduce spectra to independent points.

    Args:
        spectra: V1 and V2 of all passes.

    Returns:
        The points, in order of frequency; None when the source holds nothing at all.
    """
    power = np.sum(np.abs(spectra.source) ** 2, axis=0)
    if power.size == 0 or power.max() <= 0.0:
        return None
    bins = _Bins.of(spectra, power)
    parts = [
        _dense_points(spectra, bins),
        _sparse_points(spectra, bins),
    ]
    return _assemble([part for part in parts if part is not None], spectra)


@dataclass(frozen=True, eq=False)
class _Bins:
    """How the bins are shared out."""

    power: FloatArray  # |V1|^2, sum over passes
    frequency_hz: FloatArray  # of the spectral line that the bin belongs to
    line: NDArray[np.intp]  # number of that line
    starts: NDArray[np.intp]  # first bin of every window
    informative: NDArray[np.bool_]  # per bin
    dense: NDArray[np.bool_]  # per window: enough lines for a local regression

    @classmethod
    def of(cls, spectra: Spectra, power: FloatArray) -> _Bins:
        frequency = spectra.frequency_hz
        number = np.floor(POINTS_PER_OCTAVE * np.log2(frequency / frequency[0])).astype(int)
        starts = np.flatnonzero(np.diff(number, prepend=-1))
        counts = np.diff(starts, append=power.size)
        strongest = np.repeat(np.maximum.reduceat(power, starts), counts)
        informative = power > _INFORMATIVE * strongest
        line = np.arange(power.size)
        if spectra.tapered:
            line, frequency = _around_peaks(frequency, power)
        chosen = np.flatnonzero(informative)
        first = chosen[np.diff(line[chosen], prepend=-1) != 0]
        window = np.repeat(np.arange(starts.size), counts)
        lines = np.bincount(window[first], minlength=starts.size)
        return cls(power, frequency, line, starts, informative, lines >= _FEWEST_LINES)


def _around_peaks(frequency: FloatArray, power: FloatArray) -> tuple[NDArray[np.intp], FloatArray]:
    """Bins around one peak of a tapered spectrum as one line at their centroid.

    A taper spreads every tone over some bins, and all of them carry H at the tone, not at
    themselves. Between two peaks the weakest bin divides.
    """
    dip = np.zeros(power.size, dtype=bool)
    dip[1:-1] = (power[1:-1] < power[:-2]) & (power[1:-1] <= power[2:])
    line = np.cumsum(dip)
    starts = np.flatnonzero(np.diff(line, prepend=-1))
    total = np.add.reduceat(power, starts)
    middle = np.add.reduceat(power * frequency, starts) / np.where(total > 0, total, 1.0)
    return line, np.where(total > 0, middle, frequency[starts])[line]


@dataclass(frozen=True, eq=False)
class _Part:
    frequency_hz: FloatArray
    ratio: ComplexArray
    inverse: FloatArray  # (M^-1)_00, sum over passes
    width_hz: FloatArray
    source_power: FloatArray
    pass_ratio: ComplexArray
    pass_energy: FloatArray
    residual: FloatArray  # sum of squared residuals
    freedom: FloatArray  # complex degrees of freedom behind it


def _dense_points(spectra: Spectra, bins: _Bins) -> _Part | None:
    """Second-degree local regression in every window with enough lines."""
    power, starts, dense = bins.power, bins.starts, bins.dense
    if not dense.any():
        return None
    counts = np.diff(starts, append=power.size)
    # Windows are contiguous from the first dense one; sparse ones among them are simply
    # computed as well and thrown away.
    window = np.repeat(np.arange(starts.size), counts)
    frequency = bins.frequency_hz
    energy = np.add.reduceat(power, starts)
    safe = np.where(energy > 0, energy, 1.0)
    centre = np.add.reduceat(power * frequency, starts) / safe
    half = np.maximum(counts, 1) * spectra.bin_hz / 2.0
    delta = (frequency - centre[window]) / half[window]
    moments = []
    weight = power.copy()
    for _ in range(5):
        moments.append(np.add.reduceat(weight, starts) / safe)
        weight *= delta
    cross = np.einsum("pk,pk->k", spectra.source.conj(), spectra.driver)
    right = []
    for _ in range(3):
        right.append(np.add.reduceat(cross, starts) / safe)
        cross *= delta
    normal = np.stack([np.stack([moments[i + j] for j in range(3)]) for i in range(3)])
    normal = np.moveaxis(normal, 2, 0)
    # A guard far below any rounding that matters, for windows whose lines lie on one spot.
    normal = normal + 1e-12 * np.eye(3)
    inverse = np.linalg.inv(normal)
    beta = np.einsum("wij,wj->wi", inverse, np.stack(right, axis=1))
    model = beta[window, 0] + delta * (beta[window, 1] + delta * beta[window, 2])
    residual = np.zeros(starts.size)
    pass_gain = np.empty((spectra.source.shape[0], starts.size), dtype=np.complex128)
    pass_energy = np.empty(pass_gain.shape)
    for row, (v1, v2) in enumerate(zip(spectra.source, spectra.driver, strict=True)):
        predicted = model * v1
        residual += np.add.reduceat(np.abs(v2 - predicted) ** 2, starts)
        own = np.add.reduceat(np.abs(predicted) ** 2, starts)
        with np.errstate(divide="ignore", invalid="ignore"):
            pass_gain[row] = np.add.reduceat(predicted.conj() * v2, starts) / own
        pass_energy[row] = np.add.reduceat(np.abs(v1) ** 2, starts)
    freedom = spectra.source.shape[0] * counts * spectra.freedom_factor - 3.0
    ratio = beta[:, 0]
    return _Part(
        centre[dense],
        ratio[dense],
        (inverse[:, 0, 0] / safe)[dense],
        (counts * spectra.bin_hz)[dense],
        (energy / counts / spectra.source.shape[0])[dense],
        (pass_gain * ratio)[:, dense],
        pass_energy[:, dense],
        residual[dense],
        freedom[dense],
    )


def _sparse_points(spectra: Spectra, bins: _Bins) -> _Part | None:
    """Single lines as points, where a window holds too few of them."""
    power = bins.power
    sparse = np.repeat(~bins.dense, np.diff(bins.starts, append=power.size))
    chosen = np.flatnonzero(sparse & bins.informative & (power > 0))
    if chosen.size == 0:
        return None
    group_starts = np.flatnonzero(np.diff(bins.line[chosen], prepend=-1))
    v1, v2 = spectra.source[:, chosen], spectra.driver[:, chosen]
    frequency = bins.frequency_hz[chosen]
    weight = power[chosen]
    energy = np.add.reduceat(weight, group_starts)
    cross: ComplexArray = v1.conj() * v2
    ratio = (np.add.reduceat(cross.sum(axis=0), group_starts) / energy).astype(np.complex128)
    sizes = np.diff(group_starts, append=chosen.size)
    group = np.repeat(np.arange(sizes.size), sizes)
    pass_energy = np.add.reduceat(np.abs(v1) ** 2, group_starts, axis=1)
    with np.errstate(divide="ignore", invalid="ignore"):
        pass_ratio = np.add.reduceat(cross, group_starts, axis=1) / pass_energy
    count = spectra.source.shape[0]
    if count > 1 or spectra.tapered:
        scatter = np.sum(np.abs(v2 - ratio[group] * v1) ** 2, axis=0)
        residual = np.add.reduceat(scatter, group_starts)
        freedom = np.maximum(0.0, count * sizes * spectra.freedom_factor - 1.0)
        if not spectra.tapered:
            freedom = np.full(sizes.size, (count - 1.0) * spectra.freedom_factor)
    else:
        residual, freedom = _quartic_residuals(spectra, chosen)
    return _Part(
        np.add.reduceat(weight * frequency, group_starts) / energy,
        ratio,
        1.0 / energy,
        sizes * spectra.bin_hz,
        energy / sizes / count,
        pass_ratio.astype(np.complex128),
        pass_energy,
        residual,
        freedom,
    )


def _quartic_residuals(spectra: Spectra, chosen: NDArray[np.intp]) -> tuple[FloatArray, FloatArray]:
    """Scatter of one single pass about a fourth-degree polynomial over runs of seven lines."""
    residual, freedom = np.zeros(chosen.size), np.zeros(chosen.size)
    v1, v2 = spectra.source[0], spectra.driver[0]
    for begin in range(0, chosen.size, _QUARTIC_RUN):
        members = np.arange(begin, min(begin + _QUARTIC_RUN, chosen.size))
        low, high = chosen[members[0]], chosen[members[-1]] + 1
        run = np.arange(low, min(max(high, low + _QUARTIC_RUN), v1.size))
        delta = np.linspace(-1.0, 1.0, run.size)
        degree = min(4, members.size - 1)
        design = v1[run, None] * delta[:, None] ** np.arange(degree + 1)
        beta, _, rank, _ = np.linalg.lstsq(design, v2[run], rcond=1e-10)
        rest = np.abs(v2[run] - design @ beta) ** 2
        # Every member carries the whole run; in the pooled ratio that cancels.
        residual[members] = rest.sum()
        freedom[members] = max(0, run.size - int(rank))
    return residual, freedom * spectra.freedom_factor


def _assemble(parts: list[_Part], spectra: Spectra) -> Points | None:
    if not parts:
        return None
    frequency = np.concatenate([part.frequency_hz for part in parts])
    order = np.argsort(frequency, kind="stable")

    def joined(name: str) -> NDArray[np.float64]:
        values = np.concatenate([getattr(part, name) for part in parts], axis=-1)
        return np.asarray(values[..., order])

    factor = spectra.variance_factor / 2.0
    with np.errstate(divide="ignore"):
        pass_gain = factor / joined("pass_energy")
    return Points(
        frequency[order],
        joined("ratio").astype(np.complex128),
        factor * joined("inverse"),
        _pooled(joined("residual") * spectra.freedom_factor, joined("freedom")),
        joined("width_hz"),
        joined("source_power"),
        joined("pass_ratio").astype(np.complex128),
        pass_gain,
    )


def _pooled(residual: FloatArray, freedom: FloatArray) -> FloatArray:
    """Noise power per line from the scatter of a point and its neighbours.

    One point alone has too few degrees of freedom to say how noisy it is; over half an
    octave the noise is taken as smooth. A point that stands out beyond what chance explains
    (one in a thousand) keeps its own, larger value: a line of hum must not be averaged away,
    nor spoil its neighbours.
    """
    reach = _POOLED_NEIGHBOURS
    width = 2 * reach + 1

    def around(values: FloatArray) -> FloatArray:
        return np.lib.stride_tricks.sliding_window_view(np.pad(values, reach), width)

    with np.errstate(divide="ignore", invalid="ignore"):
        own = np.where(freedom >= 0.5, residual / freedom, np.nan)
        typical = special.chdtri(2.0 * freedom, 0.5) / (2.0 * freedom)
        limit = special.chdtri(2.0 * freedom, 1e-3) / (2.0 * freedom)
    scaled = around(np.where(np.isfinite(own), own / typical, np.nan))
    scaled = np.where(around(np.ones_like(own)) > 0, scaled, np.nan)
    known = np.isfinite(scaled).any(axis=1)
    middle = np.full(own.size, np.nan)
    if known.any():
        middle[known] = np.nanmedian(scaled[known], axis=1)
    stands_out = own > limit * middle
    kept = np.where(stands_out, 0.0, residual)
    kept_freedom = np.where(stands_out, 0.0, freedom)
    total, counted = around(kept).sum(axis=1), around(kept_freedom).sum(axis=1)
    with np.errstate(divide="ignore", invalid="ignore"):
        pooled = np.where(counted >= 1.0, total / counted, np.nan)
    return np.where(stands_out, own, pooled)
