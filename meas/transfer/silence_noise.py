"""Noise of both inputs as the silences of a recording show it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import fft, ndimage, special

from meas.curve import ComplexArray, FloatArray, TwoInputs
from meas.transfer.passes import Passes
from meas.transfer.spectra import interpolated

_ENOUGH_SECONDS = 1.0
_LONGEST_SEGMENT_SECONDS = 1.0
_SHORTEST_SEGMENT_SECONDS = 0.08
_FLOOR_BINS = 41
# A bin above what chance explains once in three thousand bins is a line (mains, a whine).
_LINE_CHANCE = 3e-4
_MOST_LINES = 50
_MAINS_HARMONICS = 10
_BEYOND_DOUBT = 30.0


@dataclass(frozen=True, eq=False)
class Noise:
    """Short-time spectra of the silences, normalised so that white noise of variance s^2 gives
    a mean square of s^2 in every bin.

    Attributes:
        frequency_hz: Frequencies of the bins [Hz], shape (k,).
        source: Spectra of the source input, complex, shape (segments, k).
        driver: Spectra of the driver input, complex, shape (segments, k).
    """

    frequency_hz: FloatArray
    source: ComplexArray
    driver: ComplexArray

    def error_power(
        self, frequency_hz: FloatArray, ratio: ComplexArray, width_hz: FloatArray, bin_hz: float
    ) -> FloatArray:
        """Power of n2 - H n1, the part of the driver input that the source does not explain.

        Taken on the difference itself, so that whatever both inputs pick up together (hum)
        enters with its correlation: E|n2 - H n1|^2 = s2^2 + |H|^2 s1^2 - 2 Re{H* E[n2 n1*]}.

        Args:
            frequency_hz: Where it is wanted [Hz], increasing, shape (n,).
            ratio: H there, complex, shape (n,).
            width_hz: Width of the window of frequencies reduced to each point [Hz], shape (n,).
            bin_hz: Spacing of the lines of the blocks [Hz].

        Returns:
            Expected squared magnitude per normalised bin of a block, shape (n,). Lines are
            spread over the resolution of the silences, and raised where a point is narrower than
            that. They leak into other points as they do from a block that is not tapered.
        """
        left = self._unexplained(frequency_hz, ratio)
        power = np.mean(np.abs(left) ** 2, axis=0)
        return self._spread(power, frequency_hz, width_hz) + self._leaked(
            frequency_hz, ratio, bin_hz
        )

    def source_bias(
        self, frequency_hz: FloatArray, ratio: ComplexArray, width_hz: FloatArray
    ) -> FloatArray:
        """Size of E[(n2 - H n1) n1*], which over |V1|^2 biases a least-squares ratio, (n,)."""
        left = self._unexplained(frequency_hz, ratio)
        shared = np.abs(np.mean(left * self.source.conj(), axis=0))
        return self._spread(shared, frequency_hz, width_hz)

    def line_amplitude(
        self, frequency_hz: FloatArray, ratio: ComplexArray, reach_hz: FloatArray
    ) -> FloatArray:
        """Amplitude of the strongest line (mains, a whine) near each frequency.

        In n2 - H n1, like `error_power`. A line that keeps its phase from one repetition to the
        next is a bias that no scatter shows; the silences show it.

        Args:
            frequency_hz: Where it is wanted [Hz], increasing, shape (n,).
            ratio: H there, complex, shape (n,).
            reach_hz: How far to either side a line matters [Hz], shape (n,).

        Returns:
            Amplitude in units of the samples, shape (n,); 0 where there is no line.
        """
        left = self._unexplained(frequency_hz, ratio)
        floor, lines = self._floor_and_lines(np.mean(np.abs(left) ** 2, axis=0))
        # One bin in three thousand passes for a line by chance, too many for a bias that is
        # added in full: away from the mains a line must stand out beyond any doubt.
        mains = np.outer((50.0, 60.0), np.arange(1, _MAINS_HARMONICS + 1)).ravel()
        off = np.min(np.abs(self.frequency_hz[:, None] - mains), axis=1)
        likely = off < self._spacing_hz
        lines = np.where(likely | (lines > _BEYOND_DOUBT * floor), lines, 0.0)
        # A bin may hold a line that lies half a bin and more beside it.
        reach = reach_hz + self._spacing_hz
        near = np.abs(self.frequency_hz[None, :] - frequency_hz[:, None]) <= reach[:, None]
        strongest = np.max(np.where(near, lines, 0.0), axis=1, initial=0.0)
        # A line of amplitude a has a^2 L/6 at its peak in a Hann segment of L samples.
        length = 2.0 * (self.frequency_hz.size + 1)
        return np.asarray(np.sqrt(6.0 * strongest / length), dtype=np.float64)

    def _unexplained(self, frequency_hz: FloatArray, ratio: ComplexArray) -> ComplexArray:
        """n2 - H n1, shape (segments, k)."""
        return self.driver - interpolated(self.frequency_hz, frequency_hz, ratio) * self.source

    @property
    def _spacing_hz(self) -> float:
        return float(self.frequency_hz[1] - self.frequency_hz[0])

    def _floor_and_lines(self, power: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Smooth part of a mean power, and what stands above it beyond chance."""
        # Hann segments that overlap by half are worth a little less than their number (P. D.
        # Welch, IEEE Trans. Audio Electroacoust. 15, 1967).
        freedom = 2.0 * max(1.0, 0.9 * self.source.shape[0])
        floor = ndimage.median_filter(power, size=min(_FLOOR_BINS, power.size), mode="nearest")
        floor = floor / (float(special.chdtri(freedom, 0.5)) / freedom)
        highest = float(special.chdtri(freedom, _LINE_CHANCE)) / freedom
        return floor, np.where(power > highest * floor, power - floor, 0.0)

    def _spread(
        self, power: FloatArray, frequency_hz: FloatArray, width_hz: FloatArray
    ) -> FloatArray:
        """Floor plus lines at the points asked for."""
        floor, line = self._floor_and_lines(power)
        line = ndimage.maximum_filter1d(line, size=3, mode="nearest")
        # A line of amplitude a puts (a N/2)^2 into one bin of the long block. Seen through
        # a Hann window (noise bandwidth 1.5 bins) the same power is spread over 1.5 spacings.
        narrower = np.maximum(1.0, 1.5 * self._spacing_hz / width_hz)
        nearest = np.rint((frequency_hz - self.frequency_hz[0]) / self._spacing_hz).astype(int)
        nearest = np.clip(nearest, 0, power.size - 1)
        at_points = np.interp(frequency_hz, self.frequency_hz, floor) + line[nearest] * narrower
        return np.asarray(at_points, dtype=np.float64)

    def _leaked(self, frequency_hz: FloatArray, ratio: ComplexArray, bin_hz: float) -> FloatArray:
        """Power that lines leave far from themselves in a block without taper.

        A line of amplitude a has a^2 L/6 at its peak in a Hann segment of L samples, and on
        average a^2 rate^2/(8 N pi^2 d^2) at a distance of d [Hz] in a rectangular block of N:
        the peak times 6/(8 pi^2) (rate/L) (rate/N)/d^2. (Elementary; computed here.)
        """
        power = np.stack([np.mean(np.abs(x) ** 2, axis=0) for x in (self.source, self.driver)])
        lines = np.max([self._floor_and_lines(row)[1] for row in power], axis=0)
        peaks = np.flatnonzero((lines > 0) & (lines >= ndimage.maximum_filter1d(lines, size=5)))
        peaks = peaks[np.argsort(lines[peaks])[::-1][:_MOST_LINES]]
        leaked = np.zeros(frequency_hz.size)
        for peak in peaks:
            left = self.driver[:, peak, None] - ratio * self.source[:, peak, None]
            distance = np.abs(frequency_hz - self.frequency_hz[peak])
            # Nearer than that the line is already counted by itself.
            distance = np.maximum(distance, self._spacing_hz)
            leaked += np.mean(np.abs(left) ** 2, axis=0) / distance**2
        return leaked * (0.75 / np.pi**2 * self._spacing_hz * bin_hz)


def noise_of_silences(samples: TwoInputs, sample_rate_hz: int, passes: Passes) -> Noise | None:
    """Spectra of the silences, those farthest from any ringing first.

    Args:
        passes: Where the silences are.

    Returns:
        The noise, or None when no silence is long enough.
    """
    silences = _rested(passes, round(_ENOUGH_SECONDS * sample_rate_hz))
    if not silences:
        return None
    longest = max(end - begin for begin, end in silences)
    length = min(longest, round(_LONGEST_SEGMENT_SECONDS * sample_rate_hz))
    if length < _SHORTEST_SEGMENT_SECONDS * sample_rate_hz:
        return None
    starts = [
        start
        for begin, end in silences
        for start in range(begin, end - length + 1, max(1, length // 2))
    ]
    window = np.hanning(length + 1)[:-1]
    scale = window / np.sqrt(np.dot(window, window))
    source, driver = (
        np.stack([_segment(samples[start : start + length, channel], scale) for start in starts])
        for channel in (0, 1)
    )
    bins = np.arange(1, source.shape[1] + 1) * (sample_rate_hz / length)
    return Noise(bins, source, driver)


def _segment(signal: NDArray[np.float32], scale: FloatArray) -> ComplexArray:
    values = signal.astype(np.float64)
    spectrum: ComplexArray = fft.rfft((values - values.mean()) * scale)[1:]
    return spectrum


def _rested(passes: Passes, enough: int) -> list[tuple[int, int]]:
    """Silences without their first half, in which the driver may still ring."""
    stops = [one.stop for one in passes.passes] if passes.contained else []
    rested: list[tuple[float, int, int]] = []
    for begin, end in passes.silences:
        before = [stop for stop in stops if stop <= begin]
        if not before and begin == 0:
            rested.append((np.inf, begin, end))
        else:
            half = (begin + end) // 2
            rested.append((float(half - begin), half, end))
    rested.sort(reverse=True)
    chosen: list[tuple[int, int]] = []
    for _, begin, end in rested:
        if sum(last - first for first, last in chosen) >= enough:
            break
        chosen.append((begin, end))
    return chosen
