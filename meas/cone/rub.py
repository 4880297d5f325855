"""Rub and buzz: high-order harmonics that rise near the resonance.

A suspension and a motor that are driven far make low-order harmonics, which fall steeply with
order. A coil that scrapes, a loose lead or a particle in the gap acts in a small part of each
period and makes harmonics of ten times the frequency and more. They are strongest where the
excursion is largest, near and below the resonance (common practice, no source).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy import fft

from meas.curve import FloatArray, TwoInputs
from meas.errors import Finding
from meas.transfer.from_sweeps import Transfer
from meas.transfer.passes import Passes
from meas.transfer.spectra import interpolated

SampleArray = NDArray[np.float32]
SpectrumArray = NDArray[np.complex64]

_FRAME_SECONDS = 0.1
_LOWEST_ORDER, _HIGHEST_ORDER = 10.0, 60.0
_NEAR = (0.3, 2.5)  # re the resonance
_FAR = 4.0
# Healthy drivers have tenth harmonics far below 0.01 % (common practice, no source).
_LEAST = 3e-4
_ABOVE_FAR = 3.0
_ABOVE_NOISE = 4.0  # in power
_LASTING_FRAMES = 2
# A single sweep cannot show that it comes again; a lost block clicks in three frames.
_LASTING_ALONE = 6
_FEWEST_BINS = 6
# What the driver makes reaches the source through the output's resistance only, in step with it.
_AT_SOURCE, _IN_STEP = 0.2, 0.8


def rub_and_buzz(
    samples: TwoInputs, sample_rate_hz: int, passes: Passes, transfer: Transfer, resonance_hz: float
) -> tuple[Finding, ...]:
    """Look for harmonics of the tenth order and up around the resonance.

    Measure: in frames of 0.1 s of what the source does not explain linearly, the power from the
    10th to the 60th harmonic of the momentary frequency, less the noise of the silences.
    Criterion: it exceeds 0.03 % of the fundamental, the noise by 6 dB and three times its own size
    far above the resonance. It must do so in two frames on end in every sweep, or six in a single
    one: a click of the stream happens once. What the source input has of it is less than a fifth
    or in step with it, coherent to 80 %: a codec or a gate works on each input for itself.

    Returns:
        A finding of code ``rub`` that names the frequency, or nothing.
    """
    if not (passes.swept and passes.contained and passes.silences):
        return ()
    rest, silences = _unexplained(samples, sample_rate_hz, transfer), passes.silences
    length = round(_FRAME_SECONDS * sample_rate_hz)
    noise, at_source = (
        np.mean(np.concatenate([np.abs(_spectra(one[a:b], length)) ** 2 for a, b in silences]), 0)
        for one in (rest, samples[:, 0])
    )
    if not np.all(np.isfinite(noise)):
        return ()
    worst: list[tuple[float, float]] = []
    for one in passes.passes:
        part = slice(one.start, one.stop)
        found = _of_pass(
            _spectra(samples[part, 0], length),
            _spectra(samples[part, 1], length),
            _spectra(rest[part], length),
            (noise, at_source),
            sample_rate_hz / length,
            transfer.band_hz[1],
            resonance_hz,
            _LASTING_FRAMES if len(passes.passes) > 1 else _LASTING_ALONE,
        )
        if found is None:
            return ()
        worst.append(found)
    size, at = max(worst)
    return (
        Finding(
            "rub",
            f"Harmonics of the 10th order and up reach {100 * size:.2g} % at {at:.0f} Hz and fall "
            "away above the resonance. The coil rubs, or a lead, a seam or a particle in the gap "
            "buzzes there",
            next_step=(
                "Listen at that frequency, turn the driver over, look for what touches; Qms and "
                "Rms contain its friction"
            ),
            at_hz=(at,),
        ),
    )


def _unexplained(samples: TwoInputs, sample_rate_hz: int, transfer: Transfer) -> SampleArray:
    """Driver input less what the source input explains, shape (n,).

    In single precision, as the samples are: its 1e-7 lies far below what is looked for.
    """
    values = np.asarray(samples - np.median(samples, axis=0), dtype=np.float32)
    size = fft.next_fast_len(values.shape[0], real=True)
    source, driver = (fft.rfft(values[:, channel], size) for channel in (0, 1))
    del values
    frequency = fft.rfftfreq(size, 1.0 / sample_rate_hz)
    ratio = interpolated(frequency, transfer.frequency_hz, transfer.ratio)
    source *= ratio.astype(np.complex64)
    driver -= source
    return np.asarray(fft.irfft(driver, size)[: samples.shape[0]])


def _spectra(signal: SampleArray, length: int) -> SpectrumArray:
    """Hann spectra of frames that overlap by half, shape (frames, k)."""
    if signal.size < length:
        return np.zeros((0, length // 2 + 1), dtype=np.complex64)
    frames = np.lib.stride_tricks.sliding_window_view(signal, length)[:: length // 2]
    # Hann falls off as the cube of the distance; its square as the fifth power, so that the
    # fundamental does not leak into its tenth harmonic.
    window = (np.hanning(length + 1)[:-1] ** 2).astype(np.float32)
    return np.asarray(fft.rfft(frames * window, axis=1), dtype=np.complex64)


def _of_pass(
    source: SpectrumArray,
    driver: SpectrumArray,
    rest: SpectrumArray,
    noises: tuple[FloatArray, FloatArray],
    spacing_hz: float,
    highest_hz: float,
    resonance_hz: float,
    frames: int,
) -> tuple[float, float] | None:
    """Size and frequency of the largest lasting rise in one sweep; None when there is none.

    Args:
        noises: Power of the noise in `rest` and in `source`, each of shape (k,).
    """
    noise, at_source = noises
    line = np.argmax(np.abs(source), axis=1)
    bins = np.arange(noise.size)
    # The mean over the main lobe places the frequency better than its highest line.
    lobe = np.abs(bins[None, :] - line[:, None]) <= 3
    power = np.where(lobe, np.abs(source) ** 2, 0.0)
    total = power.sum(axis=1)
    frequency = (power @ bins) / np.where(total > 0, total, 1.0) * spacing_hz
    fundamental = np.sum(np.where(lobe, np.abs(driver) ** 2, 0.0), axis=1)
    order = bins[None, :] * spacing_hz / np.maximum(frequency, spacing_hz)[:, None]
    top = 0.9 * highest_hz / spacing_hz
    high = (order >= _LOWEST_ORDER) & (order <= _HIGHEST_ORDER) & (bins[None, :] < top)
    known = (np.count_nonzero(high, axis=1) >= _FEWEST_BINS) & (fundamental > 0)
    seen = np.sum(np.where(high, np.abs(rest) ** 2, 0.0), axis=1)
    floor = np.sum(np.where(high, noise, 0.0), axis=1)
    clear = np.where(seen > _ABOVE_NOISE * floor, seen - floor, 0.0)
    size = np.where(known, np.sqrt(clear / np.where(fundamental > 0, fundamental, 1.0)), 0.0)
    near = known & (frequency > _NEAR[0] * resonance_hz) & (frequency < _NEAR[1] * resonance_hz)
    far = known & (frequency > _FAR * resonance_hz)
    elsewhere = float(np.quantile(size[far], 0.9)) if far.any() else 0.0
    limit = max(_LEAST, _ABOVE_FAR * elsewhere)
    lasting = np.where(near, size, 0.0)
    if lasting.size < frames:
        return None
    lowest = np.lib.stride_tricks.sliding_window_view(lasting, frames).min(axis=1)
    if lowest.max() < limit:
        return None
    first = int(np.argmax(lowest))
    at = first + int(np.argmax(lasting[first : first + frames]))
    here, there = rest[at, high[at]], source[at, high[at]]
    reaching = float(np.sum(np.abs(there) ** 2))
    own = reaching - float(np.sum(at_source[high[at]]))
    in_step = abs(np.vdot(here, there)) ** 2 > _IN_STEP**2 * seen[at] * reaching
    if own > _AT_SOURCE**2 * seen[at] * total[at] / fundamental[at] and not in_step:
        return None
    return float(lasting[at]), float(frequency[at])
