"""Harmonics of the driver against frequency, separated in time from rising sweeps.

Deconvolved with an exponential sweep, the response to the n-th harmonic appears L ln n earlier
than the linear response and can be cut out by itself (A. Farina, AES 108th Convention, 2000,
paper 5093; A. Novak, P. Lotton, L. Simon, J. Audio Eng. Soc. 63(10), 2015, whose synchronised
sweep is the one used). Both inputs are treated alike, so that harmonics of the amplifier, which
stand in the source input too, are taken out through the measured linear response.
"""

from __future__ import annotations

import numpy as np
from scipy import fft

from meas.curve import ComplexArray, FloatArray, TwoInputs
from meas.excitation.stimulus import Stimulus, harmonic_lead
from meas.transfer.distortion import Distortion
from meas.transfer.from_sweeps import Transfer
from meas.transfer.passes import Passes

ORDERS = (2, 3, 4, 5)
_BEFORE = 0.25  # share of the gap to the next higher order that belongs to an order
_AFTER = 0.75  # and of the gap to the next lower one, in which its response rings
_FADE = 0.2  # of both, as half-cosine
_LINEAR_SECONDS = 0.25
# Below this many periods of the harmonic within its stretch of time nothing can be told.
_FEWEST_PERIODS = 3.0
_POINTS_PER_OCTAVE = 12


def harmonics(
    samples: TwoInputs, sample_rate_hz: int, stimulus: Stimulus, passes: Passes, transfer: Transfer
) -> Distortion | None:
    """Second to fifth harmonic of the driver against the frequency of the fundamental.

    Args:
        passes: Where they are; one for every sweep played.

    Returns:
        The harmonics re the fundamental at the driver input, a dozen points to the octave; None
        when the passes are not those played.
    """
    L = stimulus.rate_constant_seconds
    rising = [
        one
        for one, played in zip(passes.passes, stimulus.passes, strict=False)
        if played.direction == "up"
    ]
    if L <= 0.0 or len(passes.passes) != len(stimulus.passes) or not rising:
        return None
    lengths = [one.end - one.begin for one in rising]
    size = fft.next_fast_len(2 * max(lengths), real=True)
    frequency = fft.rfftfreq(size, 1.0 / sample_rate_hz)
    inverse = _inverse(frequency, stimulus)
    gates: list[tuple[float, float]] = [(-_LINEAR_SECONDS / 4, _LINEAR_SECONDS)]
    gates += [_gate(L, order) for order in ORDERS]
    quiet = _gate(L, ORDERS[-1] + 1)
    quiet = (quiet[0] - (quiet[1] - quiet[0]), quiet[0])
    H = _on(frequency, transfer)
    seen: list[ComplexArray] = []
    for one in rising:
        block = samples[one.begin : one.end].astype(np.float64)
        block -= block.mean(axis=0)
        source, driver = fft.rfft(block, size, axis=0).T
        # The linear part is taken out before the cut in time: its ringing at the low end of the
        # band reaches into the stretches of the harmonics.
        linear, rest = (fft.irfft(part * inverse, size) for part in (driver, driver - H * source))
        middle = int(np.argmax(np.abs(fft.irfft(source * inverse, size))))
        linear, rest = np.roll(linear, -middle), np.roll(rest, -middle)
        cut = [_cut(linear, gates[0], sample_rate_hz)]
        cut += [_cut(rest, gate, sample_rate_hz) for gate in (*gates[1:], quiet)]
        seen.append(np.stack([fft.rfft(part) for part in cut]))
    own = np.abs(np.mean(seen, axis=0))
    low, high = max(stimulus.start_hz, transfer.band_hz[0]), transfer.band_hz[1]
    grid = low * 2.0 ** np.arange(0.0, np.log2(high / low), 1.0 / _POINTS_PER_OCTAVE)
    fundamental = np.interp(grid, frequency, own[0])
    parts = {}
    for row, order in enumerate(ORDERS, start=1):
        start, stop = gates[row]
        known = (order * grid <= high) & (order * grid * (stop - start) >= _FEWEST_PERIODS)
        # Power is averaged over what the stretch of time resolves, a bin or many.
        size_n = _smoothed(frequency, own[row], order * grid)
        parts[f"harmonic_{order}"] = np.where(known, size_n / fundamental, np.nan)
    # Noise at the same place in the spectrum as the second harmonic, from an equal stretch.
    start, stop = gates[1]
    longer = np.sqrt((stop - start) / (quiet[1] - quiet[0]))
    noise = _smoothed(frequency, own[-1], 2.0 * grid) * longer / fundamental
    return Distortion(grid, parts, noise)


def _inverse(frequency: FloatArray, stimulus: Stimulus) -> ComplexArray:
    """Inverse spectrum of the sweep of constant amplitude (Novak 2015, equation 43; from memory).

    1/X(f) = 2 sqrt(f/L) exp(-j 2 pi f L [1 - ln(f/f1)] + j pi/4), the lag of the start aside.
    """
    L, f1 = stimulus.rate_constant_seconds, stimulus.start_hz
    high = min(frequency[-1], 1.05 * stimulus.stop_hz)
    inside = (frequency > 0.5 * f1) & (frequency < high)
    f = np.where(inside, frequency, 1.0)
    phase = -2.0 * np.pi * f * L * (1.0 - np.log(f / f1)) + np.pi / 4.0
    inverse: ComplexArray = np.where(inside, 2.0 * np.sqrt(f / L) * np.exp(1j * phase), 0.0)
    return inverse


def _gate(L: float, order: int) -> tuple[float, float]:
    """Stretch of time that belongs to an order, re the linear response [s]."""
    here = -harmonic_lead(L, order)
    earlier, later = -harmonic_lead(L, order + 1), -harmonic_lead(L, order - 1)
    return here - _BEFORE * (here - earlier), here + _AFTER * (later - here)


def _cut(response: FloatArray, gate: tuple[float, float], rate: int) -> FloatArray:
    """The response within a stretch of time around the linear peak, the rest zero, (n,)."""
    count = response.size
    begin, end = (round(edge * rate) for edge in gate)
    fade = max(1, round(_FADE * (end - begin) / 2))
    ramp = 0.5 - 0.5 * np.cos(np.pi * (np.arange(fade) + 0.5) / fade)
    weight = np.ones(end - begin)
    weight[:fade] *= ramp
    weight[-fade:] *= ramp[::-1]
    cut = np.zeros_like(response)
    at = np.arange(begin, end) % count
    cut[at] = response[at] * weight
    return cut


def _on(frequency: FloatArray, transfer: Transfer) -> ComplexArray:
    from scipy.interpolate import PchipInterpolator  # slow to import; few recordings need it

    known = transfer.frequency_hz
    inside = np.clip(frequency, known[0], known[-1])
    H: ComplexArray = PchipInterpolator(np.log(known), transfer.ratio.real)(
        np.log(inside)
    ) + 1j * PchipInterpolator(np.log(known), transfer.ratio.imag)(np.log(inside))
    return H


def _smoothed(frequency: FloatArray, size: FloatArray, at_hz: FloatArray) -> FloatArray:
    """Root mean square within a 24th of an octave to either side."""
    total = np.concatenate([[0.0], np.cumsum(size**2)])
    spacing = frequency[1]
    low = np.clip(np.floor(at_hz * 2.0 ** (-1 / 24) / spacing).astype(int), 0, size.size - 1)
    high = np.clip(np.ceil(at_hz * 2.0 ** (1 / 24) / spacing).astype(int) + 1, 1, size.size)
    mean: FloatArray = np.sqrt((total[high] - total[low]) / np.maximum(high - low, 1))
    return mean
