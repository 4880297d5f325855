"""Transfer function from a stepped sine, every tone fitted by itself."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from meas.curve import ComplexArray, FloatArray, TwoInputs
from meas.excitation.stimulus import Tone
from meas.transfer.distortion import Distortion
from meas.transfer.from_sweeps import SMALLEST_VARIANCE, Transfer, informative
from meas.transfer.passes import Passes
from meas.transfer.scatter import pooled
from meas.transfer.silence_noise import noise_of_silences
from meas.transfer.spectra import interpolated

ORDERS = (2, 3, 4, 5)
# Lines of a Hann window beside the tone, in units of 1/duration: beyond its own main lobe and
# short of the second harmonic of a tone of twelve periods.
_BESIDE = (-7.0, -6.0, -5.0, -4.0, -3.0, 3.0, 4.0, 5.0, 6.0, 7.0)
# Neighbouring lines of a Hann window share 2/3 and 1/6 (F. J. Harris, Proc. IEEE 66, 1978).
_FREEDOM = len(_BESIDE) / (1.0 + 2.0 * (4.0 / 9.0 + 1.0 / 36.0))


def fit_sine(
    signal: FloatArray, frequency_hz: float, sample_rate_hz: float, weight: FloatArray | None = None
) -> tuple[complex, float, FloatArray]:
    """Fit a sine of known frequency and an offset by least squares.

    IEEE Std 1057, three-parameter fit: x(t) = A cos(w t) + B sin(w t) + C.

    Args:
        signal: Shape (n,), n at least 4.
        frequency_hz: Known frequency [Hz].
        weight: Weight of every sample, shape (n,); None: all alike, as in the standard.

    Returns:
        The phasor A - j B, so that x = Re{phasor exp(j w t)} + C with t = 0 at the first
        sample; C; and the residual, shape (n,).
    """
    angle = 2.0 * np.pi * frequency_hz / sample_rate_hz * np.arange(signal.size)
    design = np.stack([np.cos(angle), np.sin(angle), np.ones(signal.size)])
    weighted = design if weight is None else design * weight
    A, B, C = np.linalg.solve(weighted @ design.T, weighted @ signal)
    return complex(A, -B), float(C), signal - np.array([A, B, C]) @ design


def estimate_tones(
    samples: TwoInputs, sample_rate_hz: int, tones: tuple[Tone, ...], lag: int, passes: Passes
) -> tuple[Transfer, Distortion] | None:
    """Estimate driver input over source input at the tones.

    The fit is weighted by a Hann window: hum two lines and more away is suppressed by 30 dB and
    more, and what remains of the last change of tone counts least. The noise is taken from the
    residual right beside the tone, so that hum, rumble and a door that slams during a tone make
    that tone uncertain and no other. A line of hum within the main lobe is known from the
    silences alone.

    Args:
        lag: How much later the excitation stands in the recording [frames].

    Returns:
        Transfer function and harmonics; None when no tone is driven well enough to tell.
    """
    inside = [t for t in tones if t.start_frame + lag >= 0 and t.stop_frame + lag <= len(samples)]
    if not inside:
        return None
    rows = [_tone(samples[t.start_frame + lag : t.stop_frame + lag], t, sample_rate_hz)
            for t in inside]  # fmt: skip
    frequency = np.array([tone.frequency_hz for tone in inside])
    V = np.array([row[0] for row in rows])
    H = (V[:, 1] / np.where(V[:, 0] == 0, 1.0, V[:, 0])).astype(np.complex128)
    beside = np.array([row[1] for row in rows])
    rest = beside[:, :, 1] - H[:, None] * beside[:, :, 0]
    # Per sample, so that tones of different lengths can be pooled.
    share = np.array([row[2] for row in rows])
    residual = np.mean(np.abs(rest) ** 2, axis=1) * _FREEDOM / share
    noise = pooled(residual, np.full(H.size, _FREEDOM)) * share
    silences = noise_of_silences(samples, sample_rate_hz, passes)
    if silences is not None:
        # Hum within the main lobe of the window cannot be told from the tone.
        lobe = np.array([2.0 * sample_rate_hz / (t.stop_frame - t.start_frame) for t in inside])
        noise = np.maximum(noise, silences.line_amplitude(frequency, H, lobe) ** 2)
    source = np.abs(V[:, 0]) ** 2
    variance = 0.5 * noise / np.where(source > 0, source, 1.0) + SMALLEST_VARIANCE
    keep = informative(H, variance) & (source > 0)
    if not keep.any():
        return None
    parts = {}
    for index, order in enumerate(ORDERS):
        at = np.clip(order * frequency, None, frequency[-1])
        own = np.array([row[3][index] for row in rows])
        left = own[:, 1] - interpolated(at, frequency, H) * own[:, 0]
        known = order * frequency <= frequency[-1]
        parts[f"harmonic_{order}"] = np.where(known, np.abs(left) / np.abs(V[:, 1]), np.nan)[keep]
    transfer = Transfer(
        frequency_hz=frequency[keep],
        ratio=H[keep],
        variance=variance[keep],
        noise_variance=variance[keep],
        source_power=(source / share)[keep],
        band_hz=(float(frequency[keep][0]), float(frequency[keep][-1])),
        pass_ratio=H[None, keep],
        passes=passes,
        bin_hz=float(sample_rate_hz / max(t.stop_frame - t.start_frame for t in inside)),
    )
    return transfer, Distortion(frequency[keep], parts, (np.sqrt(noise) / np.abs(V[:, 1]))[keep])


def _tone(
    block: NDArray[np.float32], tone: Tone, rate: int
) -> tuple[ComplexArray, ComplexArray, float, ComplexArray]:
    """Phasors (2,), residual beside the tone (k, 2), variance of a phasor per unit, harmonics."""
    count = block.shape[0]
    weight = 0.5 - 0.5 * np.cos(2.0 * np.pi * (np.arange(count) + 0.5) / count)
    fits = [fit_sine(block[:, c].astype(np.float64), tone.frequency_hz, rate, weight)
            for c in (0, 1)]  # fmt: skip
    residual = np.stack([fit[2] for fit in fits], axis=1)
    angle = 2j * np.pi / rate * np.arange(count)
    offsets = np.array(_BESIDE) * rate / count
    at = np.concatenate([tone.frequency_hz + offsets, tone.frequency_hz * np.array(ORDERS)])
    # A line below zero is its mirror image: the noise there is the same.
    turned = np.exp(-np.abs(at)[:, None] * angle) * weight
    seen = (2.0 / weight.sum()) * (turned @ residual)
    share = 4.0 * float(np.sum(weight**2) / weight.sum() ** 2)
    phasors = np.array([fit[0] for fit in fits])
    return phasors, seen[: len(_BESIDE)], share, seen[len(_BESIDE) :]
