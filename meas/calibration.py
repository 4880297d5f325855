"""Channel mismatch as a complex function of frequency, measured and taken out.

With both inputs on the source node the ratio of the inputs is the mismatch K itself. Every later
ratio is divided by K, magnitude and phase, at its own frequencies.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from meas.curve import ComplexArray, FloatArray
from meas.errors import Finding, Refused, UnreadableInput, UsageError
from meas.passes import find_passes
from meas.rig import Calibration, Rig
from meas.transfer import Transfer, estimate

MOST_POINTS = 200
_LOWEST_GAIN, _HIGHEST_GAIN = 0.5, 2.0
_DEAD_GAIN = 0.01
# Two inputs of one device differ by a gain, a delay and the corners of their coupling and
# anti-alias filters. What those leave is below 0.1 % for any card (common practice, no source);
# the resonance of a driver leaves per cents.
_LARGEST_ROUGHNESS = 0.01
_ROUGHNESS_TERMS = 8
_ROUGHNESS_ABOVE_HZ = 10.0  # below, coupling capacitors may do anything
_LARGEST_UNCERTAINTY = 1e-3
_FULL_SCALE = 0.9999


def measure(
    samples: NDArray[np.float32], sample_rate_hz: int, rig: Rig, device: str, taken_at: str
) -> Calibration:
    """Measure the mismatch of the two inputs from a capture with both on the source node.

    Args:
        samples: Source input and driver input, shape (n, 2): our own sweep or any other
            broadband excitation.
        sample_rate_hz: Rate [Hz].
        rig: Whose inputs were used.
        device: Sound device as the rig names it; ``default`` when it names none.
        taken_at: ISO 8601 with offset.

    Returns:
        The calibration, at most 200 points.

    Raises:
        UnreadableInput: If a sample is not finite.
        Refused: If the capture is clipped, holds no signal, or is not one of a common node.
    """
    if not np.all(np.isfinite(samples)):
        raise UnreadableInput(
            "the capture holds values that are not numbers",
            where="calibration",
            remedy="Record it again",
        )
    _refuse_unless(
        int(np.count_nonzero(np.abs(samples) >= _FULL_SCALE)) < 2,
        "clipped",
        "an input reaches full scale in the calibration capture. Lower the level or the input "
        "gain and repeat it",
    )
    transfer = estimate(samples, sample_rate_hz, find_passes(samples, sample_rate_hz))
    if transfer is None:
        raise _refusal(
            "silent-input",
            "the calibration capture holds no signal that both inputs share. Connect both inputs "
            "to the source node and play the sweep",
        )
    frequency, ratio, variance = _thinned(transfer)
    _check_common_node(frequency, ratio, variance)
    rows = zip(frequency, ratio.real, ratio.imag, np.sqrt(variance), strict=True)
    return Calibration(
        taken_at=taken_at,
        sample_rate_hz=sample_rate_hz,
        device=device,
        source_input=rig.wiring.source_input,
        driver_input=rig.wiring.driver_input,
        points=tuple((float(a), float(b), float(c), float(d)) for a, b, c, d in rows),
    )


def check_matches(calibration: Calibration, rig: Rig, sample_rate_hz: int) -> None:
    """Make sure that a calibration belongs to the capture it is to correct.

    Args:
        calibration: The calibration.
        rig: The bench of the capture.
        sample_rate_hz: Rate of the capture [Hz].

    Raises:
        UsageError: If rate, inputs or device differ.
    """
    remedy = "Calibrate again the way you measure, or measure the way you calibrated"
    if calibration.sample_rate_hz != sample_rate_hz:
        raise UsageError(
            f"the calibration was taken at {calibration.sample_rate_hz} Hz, the capture at "
            f"{sample_rate_hz} Hz: delays between the inputs change with the rate",
            where="calibration",
            remedy=remedy,
        )
    wiring = rig.wiring
    had = (calibration.source_input, calibration.driver_input)
    has = (wiring.source_input, wiring.driver_input)
    if had != has:
        raise UsageError(
            f"the calibration used inputs {had[0]} and {had[1]} as source and driver input, the "
            f"rig uses {has[0]} and {has[1]}",
            where="calibration",
            remedy=remedy,
        )
    device = rig.card.device or "default"
    if calibration.device != device:
        raise UsageError(
            f"the calibration was taken on the device '{calibration.device}', the rig uses "
            f"'{device}'",
            where="calibration",
            remedy=remedy,
        )


def interpolate(calibration: Calibration, frequency_hz: FloatArray) -> ComplexArray:
    """K at other frequencies: log magnitude and unwrapped phase, linear in frequency.

    Linear phase in frequency makes a pure delay exact. Outside the calibrated band nothing is
    known and nothing is invented.

    Args:
        calibration: The calibration.
        frequency_hz: Frequencies [Hz], shape (n,).

    Returns:
        K, complex, shape (n,); NaN outside the band of the calibration.
    """
    known = calibration.frequency_hz
    ratio = calibration.ratio
    outside = (frequency_hz < known[0]) | (frequency_hz > known[-1])
    log_magnitude = np.interp(frequency_hz, known, np.log(np.abs(ratio)))
    phase = np.interp(frequency_hz, known, _phase(known, ratio))
    K: ComplexArray = np.exp(log_magnitude + 1j * phase)
    return np.where(outside, complex(np.nan, np.nan), K)


def correct(
    calibration: Calibration, frequency_hz: FloatArray, ratio: ComplexArray, variance: FloatArray
) -> tuple[ComplexArray, FloatArray]:
    """Take the mismatch out of a ratio.

    The noise of the calibration joins the variance of the ratio. Points of the curve that lie
    between the same two points of the calibration share its noise; their variance is raised by
    how many there are on average, so that a fit over all of them stays honest.

    Args:
        calibration: The calibration.
        frequency_hz: Frequencies of the ratio [Hz], shape (n,).
        ratio: Driver input over source input, complex, shape (n,).
        variance: Of each part of it, shape (n,).

    Returns:
        Corrected ratio and its variance, shape (n,); NaN outside the band of the calibration.
    """
    K = interpolate(calibration, frequency_hz)
    known = calibration.frequency_hz
    inside = np.count_nonzero((frequency_hz >= known[0]) & (frequency_hz <= known[-1]))
    share = max(1.0, inside / known.size)
    own = np.interp(frequency_hz, known, calibration.standard_uncertainty) ** 2 * share
    with np.errstate(invalid="ignore"):
        corrected = ratio / K
        return corrected, (variance + own * np.abs(corrected) ** 2) / np.abs(K) ** 2


def _thinned(transfer: Transfer) -> tuple[FloatArray, ComplexArray, FloatArray]:
    """Merge neighbouring points, exactly for a pure delay; the two at the edges stay."""
    frequency, ratio, variance = transfer.frequency_hz, transfer.ratio, transfer.variance
    count = frequency.size
    if count <= MOST_POINTS:
        return frequency, ratio, variance
    weight = 1.0 / variance
    delay = _delay(frequency, ratio, weight)
    turned = ratio * np.exp(-1j * delay * frequency)
    # Equal steps in log frequency, and one point each for the two edges.
    position = np.log(frequency / frequency[0]) / np.log(frequency[-1] / frequency[0])
    group = 1 + np.minimum((position * (MOST_POINTS - 2)).astype(int), MOST_POINTS - 3)
    group[0], group[-1] = 0, MOST_POINTS - 1
    starts = np.flatnonzero(np.diff(group, prepend=-1))
    total = np.add.reduceat(weight, starts)
    middle = np.add.reduceat(weight * frequency, starts) / total
    mean = np.add.reduceat(weight * turned, starts) / total
    return middle, mean * np.exp(1j * delay * middle), 1.0 / total


def _delay(frequency: FloatArray, ratio: ComplexArray, weight: FloatArray) -> float:
    """Slope of the phase over frequency [rad/Hz]."""
    phase = _phase(frequency, ratio)
    return float(np.polyfit(frequency, phase, 1, w=np.sqrt(weight))[0])


def _phase(frequency: FloatArray, ratio: ComplexArray) -> FloatArray:
    """Unwrapped phase [rad]: each point lies nearest to where a pure delay takes the one before."""
    phase = np.angle(ratio)
    for i in range(1, phase.size):
        expected = phase[i - 1] * frequency[i] / frequency[i - 1]
        phase[i] += 2.0 * np.pi * np.round((expected - phase[i]) / (2.0 * np.pi))
    return phase


def _check_common_node(frequency: FloatArray, ratio: ComplexArray, variance: FloatArray) -> None:
    size = np.abs(ratio)
    remedy = "Put both inputs on the source node, before the resistor, and repeat the capture"
    _refuse_unless(
        float(np.median(size)) > _DEAD_GAIN,
        "silent-input",
        f"the driver input hears nothing of what the source input hears. {remedy}",
    )
    _refuse_unless(
        float(np.median(np.sqrt(variance) / size)) < _LARGEST_UNCERTAINTY,
        "faint",
        "the calibration capture is so noisy that it would add more error than it removes. Raise "
        "the level or the input gain",
    )
    worst = int(np.argmax(np.abs(np.log(size))))
    _refuse_unless(
        _LOWEST_GAIN < size[worst] < _HIGHEST_GAIN,
        "not-same-node",
        f"the driver input reads {size[worst]:.3g} times the source input at "
        f"{frequency[worst]:.4g} Hz, so the two are not on one node. {remedy}",
    )
    rough, at_hz = _roughness(frequency, ratio, variance)
    _refuse_unless(
        rough < _LARGEST_ROUGHNESS,
        "not-same-node",
        f"the two inputs differ by a bump of {100 * rough:.1f} % at {at_hz:.4g} Hz that two "
        f"inputs on one node cannot show; a driver seems to be in between. {remedy}",
    )


def _roughness(
    frequency: FloatArray, ratio: ComplexArray, variance: FloatArray
) -> tuple[float, float]:
    """Largest relative deviation from what two like inputs can differ by, and where [Hz].

    log K is fitted with a gain, a delay and the expansion of corners below and above the band:
    log(1 - j a/f) has imaginary terms a/f, (a/f)^3 and real terms (a/f)^2, (a/f)^4.
    """
    above = frequency >= _ROUGHNESS_ABOVE_HZ
    if np.count_nonzero(above) <= _ROUGHNESS_TERMS:
        return 0.0, float(frequency[0])
    frequency, ratio, variance = frequency[above], ratio[above], variance[above]
    low, high = frequency[0] / frequency, frequency / frequency[-1]
    zero = np.zeros_like(frequency)
    real = [np.ones_like(frequency), low**2, low**4, high**2, *[zero] * 4]
    imaginary = [*[zero] * 4, high, high**3, low, low**3]
    design = np.concatenate([np.stack(real, 1), np.stack(imaginary, 1)])
    log_ratio = np.log(np.abs(ratio)) + 1j * _phase(frequency, ratio)
    spread = np.sqrt(variance) / np.abs(ratio)
    weight = np.tile(1.0 / np.hypot(spread, 1e-3), 2)
    data = np.concatenate([log_ratio.real, log_ratio.imag])
    beta = np.linalg.lstsq(design * weight[:, None], data * weight, rcond=None)[0]
    rest = data - design @ beta
    deviation = np.hypot(rest[: frequency.size], rest[frequency.size :])
    # Deviations that noise explains are no bumps.
    deviation = np.maximum(0.0, deviation - 5.0 * spread)
    worst = int(np.argmax(deviation))
    return float(deviation[worst]), float(frequency[worst])


def _refusal(code: str, text: str) -> Refused:
    return Refused([Finding(code, text, refuses=True)], where="calibration")


def _refuse_unless(good: bool, code: str, text: str) -> None:
    if not good:
        raise _refusal(code, text)
