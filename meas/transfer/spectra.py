"""Spectra of whole blocks of a recording, on one grid."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from scipy import fft

from meas.curve import ComplexArray, FloatArray, TwoInputs
from meas.transfer.passes import Pass, Passes

_LOWEST_HZ = 1.0
_EDGE_SECONDS = 0.02
_TAIL_TAPER_SECONDS = 0.2
# Lines of a Hann-windowed spectrum are correlated by 2/3 and 1/6 with their neighbours (F. J.
# Harris, Proc. IEEE 66, 1978). Their squares, and sums over a drive of random phase, are worth
# 1/(1 + 2 (4/9 + 1/36)) = 0.51 independent lines each.
_HANN_FREEDOM = 1.0 / (1.0 + 2.0 * (4.0 / 9.0 + 1.0 / 36.0))


@dataclass(frozen=True, eq=False)
class Spectra:
    """Spectra of the blocks on one grid; white noise of variance s^2 has a mean square of s^2.

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

    def part(self, begin: int, end: int) -> Spectra:
        """The lines [begin, end) as a view."""
        return replace(
            self,
            first_bin=self.first_bin + begin,
            source=self.source[:, begin:end],
            driver=self.driver[:, begin:end],
        )

    @property
    def frequency_hz(self) -> FloatArray:
        """Frequencies of the lines [Hz], shape (k,)."""
        lines = self.first_bin + np.arange(self.source.shape[1], dtype=np.float64)
        return lines * self.bin_hz


def spectra_of_passes(samples: TwoInputs, sample_rate_hz: int, passes: Passes) -> Spectra:
    """Spectra of the block of each pass, or of the whole record when it is not contained.

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
    windows = [
        np.ones(length) if unpadded else _window(block, sample_rate_hz, passes, tapered)
        for block, length in zip(blocks, lengths, strict=True)
    ]
    # One scale for all: a pass with a longer silence behind it holds no more drive, only more
    # noise, whose lines depend less on each other by as much.
    scale = 1.0 / np.sqrt(np.mean([np.dot(window, window) for window in windows]))
    for row, (block, window) in enumerate(zip(blocks, windows, strict=True)):
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


def interpolated(wanted_hz: FloatArray, known_hz: FloatArray, values: ComplexArray) -> ComplexArray:
    """Complex values between known frequencies, real and imaginary part each linear in f."""
    real, imaginary = (np.interp(wanted_hz, known_hz, part) for part in (values.real, values.imag))
    return np.asarray(real + 1j * imaginary, dtype=np.complex128)


def _offset(samples: TwoInputs, passes: Passes) -> FloatArray:
    """Reading of the inputs without signal, shape (2,).

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
