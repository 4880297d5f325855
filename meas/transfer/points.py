"""Spectra of whole blocks and their reduction to independent points without bias.

In windows of 1/40 octave that do not overlap, V2 is regressed on V1 with H a complex polynomial
of second degree in frequency, all passes together. Least squares weights every bin with |V1|^2
by itself, and the value at the centroid of energy is the point. The fit is exact for a parabola.
What is left at a resonance of quality Q is of fourth order: with x = 2 Q times the relative half
width of the window (0.0087) the error of H is below (3/35) x^4. At Q = 10 (Qms 15, Qes 2
behind 100 ohm) that is 8e-5. (Local polynomial regression: W. S. Cleveland, S. J. Devlin,
J. Am. Stat. Assoc. 83, 1988; for transfer functions: R. Pintelon, J. Schoukens, System
Identification, 2nd ed., Wiley/IEEE 2012, chapter 7.)

Where a window holds fewer than five lines, each line is a point of its own.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from meas.curve import ComplexArray, FloatArray
from meas.transfer.scatter import pooled, quartic_residuals
from meas.transfer.spectra import Spectra

POINTS_PER_OCTAVE = 40
_FEWEST_LINES = 5
# A line with less than this share of the strongest in its window tells next to nothing.
_INFORMATIVE = 1e-3
_CHUNK_BINS = 1 << 18


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


def reduce_to_points(spectra: Spectra) -> Points | None:
    """Reduce spectra to independent points.

    Returns:
        The points, in order of frequency; None when the source holds nothing at all.
    """
    parts: list[_Part | None] = []
    for begin, end in _chunks(spectra):
        chunk = spectra.part(begin, end)
        bins = _Bins.of(chunk)
        parts += [_dense_points(chunk, bins), _sparse_points(chunk, bins)]
    return _assemble([part for part in parts if part is not None], spectra)


def _window_numbers(frequency: FloatArray) -> NDArray[np.intp]:
    number: NDArray[np.intp] = np.floor(POINTS_PER_OCTAVE * np.log2(frequency)).astype(np.intp)
    return number


def _chunks(spectra: Spectra) -> Iterator[tuple[int, int]]:
    """Ranges of bins that end where windows end, so that memory stays bounded."""
    count = spectra.source.shape[1]
    begin = 0
    while begin < count:
        end = begin + _CHUNK_BINS
        if end < count:
            last = _window_numbers(np.array([(spectra.first_bin + end) * spectra.bin_hz]))[0]
            edge = 2.0 ** (last / POINTS_PER_OCTAVE) / spectra.bin_hz - spectra.first_bin
            if edge > begin + 1:
                end = int(np.ceil(edge))
        yield begin, min(end, count)
        begin = end


@dataclass(frozen=True, eq=False)
class _Bins:
    """Division of the bins among points."""

    power: FloatArray  # |V1|^2, sum over passes
    frequency_hz: FloatArray  # of the spectral line that the bin belongs to
    line: NDArray[np.intp]  # number of that line
    starts: NDArray[np.intp]  # first bin of every window
    informative: NDArray[np.bool_]  # per bin
    dense: NDArray[np.bool_]  # per window: enough lines for a local regression

    @classmethod
    def of(cls, spectra: Spectra) -> _Bins:
        power = np.sum(spectra.source.real**2 + spectra.source.imag**2, axis=0)
        frequency = spectra.frequency_hz
        number = _window_numbers(frequency)
        starts = np.flatnonzero(np.diff(number, prepend=number[0] - 1))
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
        residual, freedom = quartic_residuals(spectra, chosen)
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
        pooled(joined("residual") * spectra.freedom_factor, joined("freedom")),
        joined("width_hz"),
        joined("source_power"),
        joined("pass_ratio").astype(np.complex128),
        pass_gain,
    )
