"""Transfer function from periods of a multisine, noise and distortion told apart.

R. Pintelon, J. Schoukens, System Identification, 2nd ed., Wiley/IEEE 2012, chapters 2 and 4: the
mean over periods is the response, the scatter between periods the noise. What the mean holds at
lines that were not excited is distortion, even or odd by the number of the line.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import fft, special

from meas.curve import ComplexArray, FloatArray, TwoInputs
from meas.excitation.stimulus import Periodic
from meas.transfer.distortion import Distortion
from meas.transfer.from_sweeps import SMALLEST_VARIANCE, Transfer, informative
from meas.transfer.passes import Passes
from meas.transfer.scatter import pooled
from meas.transfer.silence_noise import noise_of_silences
from meas.transfer.spectra import interpolated
from meas.transfer.spoilt_passes import octaves, spoilt

_AROUND = 9  # detection lines that are averaged
_CHANCE = 1e-3
# In lines of the period. Farther off, hum that would repeat with the period has next to nothing.
_REACH_LINES = 1.5


@dataclass(frozen=True, eq=False)
class PeriodicEstimate:
    """Estimate from the periods of a multisine.

    Attributes:
        transfer: Best linear approximation at the excited lines, distortion in its variance.
        rejected: Periods that were left out, counted from 0.
    """

    transfer: Transfer
    distortion: Distortion
    rejected: tuple[int, ...]


def estimate_periodic(
    samples: TwoInputs, sample_rate_hz: int, periodic: Periodic, first_frame: int, passes: Passes
) -> PeriodicEstimate | None:
    """Estimate driver input over source input at the excited lines.

    Args:
        first_frame: First frame of the first period that counts, in the recording.

    Returns:
        The estimate; None when fewer than two periods are in the recording or no line is driven
        well enough to tell.
    """
    length = periodic.period_frames
    count = min(periodic.periods, (samples.shape[0] - max(first_frame, 0)) // length)
    if first_frame < 0 or count < 2:
        return None
    rows = samples[first_frame : first_frame + count * length].reshape(count, length, 2)
    lines = [periodic.excited, periodic.odd_detection, periodic.even_detection]
    spectra = _lines(rows, np.concatenate(lines), np.sqrt(length))
    edges = np.cumsum([0, *(one.size for one in lines)])
    excited, odd, even = (spectra[:, a:b] for a, b in itertools.pairwise(edges))
    spacing = sample_rate_hz / length
    frequency = (periodic.excited * spacing).astype(np.float64)
    with np.errstate(divide="ignore", invalid="ignore"):
        single = excited[..., 1] / excited[..., 0]
    power = np.abs(excited[..., 0]) ** 2
    out = spoilt(single, power, octaves(frequency), np.ones(frequency.size))
    excited, odd, even = (part[~out] for part in (excited, odd, even))
    kept = excited.shape[0]
    V1, V2 = excited[..., 0].mean(axis=0), excited[..., 1].mean(axis=0)
    H = V2 / np.where(V1 == 0, 1.0, V1)
    rest = excited[..., 1] - H * excited[..., 0]
    noise = pooled(np.sum(np.abs(rest) ** 2, axis=0), np.full(H.size, kept - 1.0))
    source = np.abs(V1) ** 2
    level = np.abs(V2)

    def found(part: ComplexArray, numbers: NDArray[np.intp]) -> tuple[FloatArray, FloatArray]:
        at = (numbers * spacing).astype(np.float64)
        return _detected(part, interpolated(at, frequency, H), at, frequency)

    odd_power, odd_noise = found(odd, periodic.odd_detection)
    even_power, even_noise = found(even, periodic.even_detection)
    left = noise / kept
    silences = noise_of_silences(samples, sample_rate_hz, passes)
    if silences is not None:
        # Hum whose period drifted onto that of the drive stays the same in all periods.
        hum = silences.line_amplitude(frequency, H, np.full(H.size, _REACH_LINES * spacing))
        left = np.maximum(left, hum**2 * length / 4.0)
    own_noise = 0.5 * left / source + SMALLEST_VARIANCE
    variance = own_noise + 0.5 * odd_power / source
    keep = informative(H, own_noise)
    if not keep.any():
        return None
    own_noise = own_noise[keep]
    transfer = Transfer(
        frequency_hz=frequency[keep],
        ratio=H[keep],
        variance=variance[keep],
        noise_variance=own_noise,
        source_power=source[keep],
        band_hz=(float(frequency[keep][0]), float(frequency[keep][-1])),
        pass_ratio=single[~out][:, keep],
        passes=passes,
        bin_hz=spacing,
    )
    distortion = Distortion(
        frequency[keep],
        {"even": (np.sqrt(even_power) / level)[keep], "odd": (np.sqrt(odd_power) / level)[keep]},
        (np.sqrt(np.maximum(odd_noise, even_noise)) / level)[keep],
    )
    return PeriodicEstimate(transfer, distortion, tuple(int(i) for i in np.flatnonzero(out)))


def _lines(
    rows: NDArray[np.float32], lines: NDArray[np.intp], scale: float
) -> NDArray[np.complex128]:
    """Spectra of every period at some lines, white noise of variance s^2 giving s^2."""
    return np.stack(
        [fft.rfft(row.astype(np.float64), axis=0)[lines] / scale for row in rows]
    ).astype(np.complex128)


def _detected(
    part: ComplexArray, H: ComplexArray, at_hz: FloatArray, frequency_hz: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Power of distortion per line of the mean over periods, and its noise, where wanted.

    Averaged over neighbouring detection lines; what chance explains once in a thousand is noise.
    """
    rest = part[..., 1] - H * part[..., 0]
    count = rest.shape[0]
    mean = rest.mean(axis=0)
    noise = np.sum(np.abs(rest - mean) ** 2, axis=0) / (count - 1) / count
    ones = np.ones(min(_AROUND, mean.size))
    width = np.convolve(np.ones(mean.size), ones, "same")
    power = np.convolve(np.abs(mean) ** 2, ones, "same") / width
    floor = np.convolve(noise, ones, "same") / width
    # A ratio of two chi-squares with 2 w and 2 w (count - 1) degrees of freedom.
    limit = special.fdtri(2.0 * width, 2.0 * width * (count - 1), 1.0 - _CHANCE)
    clear = np.where(power > limit * floor, power - floor, 0.0)
    # A line is as far from its neighbours in distortion as they are in log frequency.
    place, wanted = np.log(at_hz), np.log(frequency_hz)
    return np.interp(wanted, place, clear), np.interp(wanted, place, floor)
