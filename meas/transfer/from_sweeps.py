"""Two-channel transfer function with its variance, reduced to log-spaced independent points."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from meas.curve import ComplexArray, FloatArray, TwoInputs
from meas.transfer.passes import Passes
from meas.transfer.points import Points, reduce_to_points
from meas.transfer.silence_noise import noise_of_silences
from meas.transfer.spectra import spectra_of_passes

# A point whose ratio is uncertain by more than a tenth of itself (of 0.02 for tiny ratios) says
# nothing about an impedance.
_LARGEST_RELATIVE = 0.1
_SMALLEST_RATIO = 0.02
# A sweep holds its power per octave within 20 dB (held back for a tweeter) from end to end; 45 dB
# below its strongest octave there are only the remains of its fades and the distortion of
# everything on the bench. Other signals have any spectrum, and are told by their variance alone.
_WEAKEST_SWEPT = 10.0**-4.5
# Rounding of float32 samples; keeps the variance of a noiseless simulation positive.
SMALLEST_VARIANCE = 1e-16


@dataclass(frozen=True, eq=False)
class Transfer:
    """Driver input over source input, reduced to points whose errors are independent.

    Attributes:
        frequency_hz: Increasing [Hz], shape (n,); about 40 to the octave, single lines where the
            record is too short for that, none where there was no drive.
        ratio: H, driver input over source input, complex, shape (n,).
        variance: Variance of the real and of the imaginary part of H, shape (n,): the larger of
            what the scatter and what the silences say.
        noise_variance: The same from the silences alone, shape (n,); NaN without silences.
        source_power: Mean |V1|^2 per line, with white noise of variance s^2 giving s^2 (full
            scale 1), shape (n,).
        band_hz: Lowest and highest frequency that was driven well enough to tell [Hz].
        pass_ratio: H of each pass alone at the same points, complex, shape (p, n); NaN where
            the pass holds no drive.
        bin_hz: Spacing of the spectral lines that were reduced [Hz].
    """

    frequency_hz: FloatArray
    ratio: ComplexArray
    variance: FloatArray
    noise_variance: FloatArray
    source_power: FloatArray
    band_hz: tuple[float, float]
    pass_ratio: ComplexArray
    passes: Passes
    bin_hz: float


def estimate(samples: TwoInputs, sample_rate_hz: int, passes: Passes) -> Transfer | None:
    """Estimate driver input over source input from a recording.

    For a linear one-port V2 = H V1 holds exactly for whole-block spectra whatever the drive was,
    once it begins and decays inside the block. With input noises n1, n2 the variance is
    E|n2 - H n1|^2/|V1|^2, half of it in each part (R. Pintelon, J. Schoukens, System
    Identification, 2nd ed., Wiley/IEEE 2012, chapter 2).

    Returns:
        The transfer function; None when no frequency was driven well enough to tell.
    """
    spectra = spectra_of_passes(samples, sample_rate_hz, passes)
    points = reduce_to_points(spectra)
    if points is None:
        return None
    scatter = points.gain * points.residual_power
    noise, bias = _from_silences(samples, sample_rate_hz, passes, points, spectra.bin_hz)
    variance = _combined(scatter, noise) + bias + SMALLEST_VARIANCE
    keep = informative(points.ratio, variance) & _driven(points, passes)
    if not keep.any():
        return None
    frequency = points.frequency_hz[keep]
    return Transfer(
        frequency_hz=frequency,
        ratio=points.ratio[keep],
        variance=variance[keep],
        noise_variance=noise[keep],
        source_power=points.source_power[keep],
        band_hz=(float(frequency[0]), float(frequency[-1])),
        pass_ratio=points.pass_ratio[:, keep],
        passes=passes,
        bin_hz=spectra.bin_hz,
    )


def informative(ratio: ComplexArray, variance: FloatArray) -> NDArray[np.bool_]:
    """Select ratios known well enough to say anything about an impedance, shape (n,)."""
    size = np.maximum(np.abs(ratio), _SMALLEST_RATIO)
    with np.errstate(invalid="ignore"):
        known: NDArray[np.bool_] = (
            np.isfinite(ratio)
            & (variance > 0.0)
            & (2.0 * variance < (_LARGEST_RELATIVE * size) ** 2)
        )
    return known


def _driven(points: Points, passes: Passes) -> NDArray[np.bool_]:
    """Select frequencies with drive to speak of, shape (n,)."""
    per_octave = points.source_power * points.frequency_hz
    weakest = _WEAKEST_SWEPT * per_octave.max() if passes.swept else 0.0
    driven: NDArray[np.bool_] = per_octave > weakest
    return driven


def _combined(scatter: FloatArray, noise: FloatArray) -> FloatArray:
    """The larger of two estimates of one variance; their mean where they agree within chance.

    Taking the larger of two estimates that scatter by a tenth each would be too much by half
    that on average. They agree when they differ by less than half, four times that scatter.
    """
    with np.errstate(divide="ignore", invalid="ignore"):
        agree = np.abs(np.log(scatter / noise)) < np.log(1.5)
    return np.where(agree, 0.5 * (scatter + noise), np.fmax(scatter, noise))


def _from_silences(
    samples: TwoInputs, sample_rate_hz: int, passes: Passes, points: Points, bin_hz: float
) -> tuple[FloatArray, FloatArray]:
    """Variance of each part of H from the silences (NaN without), and what to add for bias.

    Noise of the source input makes a least-squares ratio too small by s1^2/|V1|^2. Where that
    matters at all it is added to the variance as a square, half of it in each part.
    """
    noise = noise_of_silences(samples, sample_rate_hz, passes)
    if noise is None:
        bias = points.residual_power / np.maximum(np.abs(points.ratio), _SMALLEST_RATIO)
        variance = np.full(points.gain.shape, np.nan)
    else:
        grid = (points.frequency_hz, points.ratio, points.width_hz)
        variance = points.gain * noise.error_power(*grid, bin_hz)
        bias = noise.source_bias(*grid)
    return variance, 0.5 * (np.nan_to_num(bias) / points.source_power) ** 2
