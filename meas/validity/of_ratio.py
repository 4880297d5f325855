"""Criteria on the ratio of the inputs and on the impedance that it gives."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from meas.correction.input_difference import InputDifference
from meas.curve import ComplexArray, FloatArray, TwoInputs
from meas.errors import Finding

_SHORTED_OHM = 0.3
_CROSSTALK = 2e-4
_FAINT_REFUSED = 0.05
_FAINT_MENTIONED = 0.01
_MOST_NEGATIVE = 0.08
_MOST_NEGATIVE_OF_PART = 0.3

_SIGNIFICANT = 5.0
_NOISE = 4.0

_HUM_NEAR = 1.5
_HUM_REFUSED = 0.03
_HUM_MENTIONED = 0.01
_LOST = 0.3
_GAP = 1.8
_HIDES, _WIDE_GAP = 0.15, 0.1


def not_connected(
    frequency_hz: FloatArray,
    ratio: ComplexArray,
    resistor_side: str,
    mismatch: float,
    delay_s: float,
    variance: FloatArray,
) -> tuple[Finding, ...]:
    """Find an open driver (resistor on the hot side) and a shorted one (on the ground side).

    Criterion: the two inputs agree, over the whole band, within what they are known to be alike
    (``mismatch``, and ``delay_s`` [s] of delay). With the resistor on the hot side no current
    flows, the driver is open, or both inputs are on the source node: any impedance from
    R/mismatch to infinity gives this. On the ground side the driver is shorted, or so small
    against R that it cannot be told. The opposite ends leave nothing at the driver input and are
    found by `follows` and `shorted`. A part may be open or shorted in part of the band, so all
    points must be, each within four standard uncertainties of its noise (``variance`` of each part
    of the ratio, shape (n,)), which may hide nothing of the typical one.
    """
    known = np.isfinite(ratio)
    if not known.any():
        return ()
    ratio, turn = ratio[known], 2 * np.pi * frequency_hz[known]
    noise = np.sqrt(2 * variance[known])
    delay = -float(turn @ np.unwrap(np.angle(ratio)) / (turn @ turn))
    delay = float(np.clip(delay, -delay_s, delay_s))
    distance = np.abs(1.0 - ratio * np.exp(1j * turn * delay))
    apart = float(np.max(distance - _NOISE * noise))
    if max(apart, float(np.median(distance))) >= mismatch or np.median(noise) > mismatch:
        return ()
    apart = float(np.quantile(distance, 0.9))
    alike = f"Both inputs are alike within {100 * apart:.2g} % and noise at all frequencies: "
    if resistor_side == "hot":
        return (
            Finding(
                "open-driver",
                alike + "no current flows. The driver is not connected or its coil is broken, or "
                "both inputs are on the source node",
                refuses=True,
            ),
        )
    return (
        Finding(
            "shorted-driver",
            alike + "the driver is shorted, or both inputs are on the source node, or the "
            "resistor is far too large for it",
            refuses=True,
        ),
    )


def follows(samples: TwoInputs, predicted: NDArray[np.floating]) -> bool:
    """Tell whether the driver input follows the source at all.

    Criterion: above -74 dB, the crosstalk of a poor card. Behind 10 ohm that is 2 milliohm; with
    the resistor on the ground side, an impedance of 5000 times the resistor.
    """
    return bool(np.std(predicted) > _CROSSTALK * np.std(samples[:, 0]))


def shorted(impedance_ohm: ComplexArray) -> tuple[Finding, ...]:
    """Find a shorted driver: |Z| below 0.3 ohm at half the points, which no voice coil has."""
    return (_shorted(),) if float(np.median(np.abs(impedance_ohm))) < _SHORTED_OHM else ()


def dead_or_at_an_end(resistor_side: str) -> tuple[Finding, ...]:
    """Name both reasons why a driver input may not follow the source."""
    silent = Finding(
        "silent-input",
        "The driver input does not follow the source: it is not connected, the wrong input, or "
        "turned down",
        refuses=True,
        next_step="Check its cable and gain",
    )
    # The driver is changed from take to take, the input's cable stays; few coils are shorted.
    if resistor_side == "hot":
        return silent, _shorted()
    no_current = Finding(
        "open-driver",
        "No current flows through the resistor: the driver is not connected or its coil is broken",
        refuses=True,
    )
    return no_current, silent


def _shorted() -> Finding:
    return Finding(
        "shorted-driver",
        f"The impedance is below {_SHORTED_OHM:g} ohm throughout, less than any voice coil: the "
        "driver or its leads are shorted, or the input is on the wrong side of it",
        refuses=True,
    )


def swapped(ratio: ComplexArray, mismatch: float) -> tuple[Finding, ...]:
    """Find exchanged inputs.

    Criterion: a passive divider cannot have more at its middle than at its top: |Z/(Z + R)| < 1
    and |R/(R + Z)| < 1 for every Z with Re Z >= 0. Exchanged inputs give 1/H, which is above 1
    everywhere, and an impedance with negative real part: -(Z + R) on the hot side and
    -(R parallel Z) on the ground side. Three quarters of the points must say so, beyond what two
    inputs may differ in gain (``mismatch``).
    """
    if np.mean(np.abs(ratio) > 1.0 + mismatch) < 0.75:
        return ()
    return (
        Finding(
            "swapped-inputs",
            "The driver input carries more than the source input, so the impedance comes out "
            "negative: the inputs are swapped",
            refuses=True,
            next_step="Exchange the cables or source_input and driver_input in the rig file",
        ),
    )


def faint(relative_uncertainty: FloatArray) -> tuple[Finding, ...]:
    """Find a signal too weak against the noise.

    Criterion: the median over the points of random uncertainty over |Z|. Parameters rest on
    about 50 points across the resonance, so 5 % a point is 0.7 % in Res and Q, more than the
    resistor's own tolerance and no longer a measurement; refused. Mentioned from 1 %.
    Empty where no uncertainty is known.
    """
    relative = float(np.median(relative_uncertainty)) if relative_uncertainty.size else 0.0
    if relative < _FAINT_MENTIONED:
        return ()
    refuses = relative > _FAINT_REFUSED
    return (
        Finding(
            "faint" if refuses else "noisy",
            f"Noise makes the impedance uncertain by {100 * relative:.2g} % at a typical "
            f"frequency{', too much to use' if refuses else ''}",
            refuses=refuses,
            next_step=(
                "Raise the drive or the input gain towards -6 dB re full scale, use a longer "
                "sweep, keep cables away from the mains"
            ),
        ),
    )


def mostly_noise(relative_noise: FloatArray) -> bool:
    """Tell whether what the silences hold is half of what makes a signal too weak, or more."""
    return float(np.median(relative_noise)) > _FAINT_REFUSED / 2


def unheard() -> Finding:
    """No frequency at all is known well enough."""
    return Finding(
        "faint",
        "At no frequency does the excitation stand out of the noise enough to give an impedance",
        refuses=True,
        next_step="Raise the drive or the input gain towards -6 dB re full scale",
    )


def not_passive(
    frequency_hz: FloatArray,
    impedance_ohm: ComplexArray,
    uncertainty_ohm: FloatArray,
    *,
    calibrated: bool,
    kind: str,
    unknown_ohm: FloatArray | float = 0.0,
) -> tuple[Finding, ...]:
    """Find a negative resistance, which no passive thing has.

    Criterion: Re Z below zero by five standard uncertainties and 2 % of |Z|. An uncalibrated delay
    of one channel turns Z at high frequencies (a sample turns H by 180 degrees at half the
    sample rate). From 8 % of the points of a logarithmic axis on, most of an octave, no model of a
    driver follows the curve any more. A passive part, whose Z may be all reactance, is refused
    from 30 % on; uncalibrated, a few degrees make half of a good capacitor negative, and a gain
    that nobody compared a small resistance: what the bench may err by (``unknown_ohm``, shape (n,))
    is no evidence against a part.
    """
    least = np.maximum(
        _SIGNIFICANT * uncertainty_ohm, (0.02 if kind != "part" else 0.2) * np.abs(impedance_ohm)
    )
    lenient = kind == "part" and not calibrated
    if lenient:
        least = np.maximum(least, unknown_ohm)
    negative = impedance_ohm.real < -least
    share = float(np.mean(negative))
    if share < 0.01:
        return ()
    refuses = share > (_MOST_NEGATIVE_OF_PART if lenient else _MOST_NEGATIVE)
    first = float(frequency_hz[np.argmax(negative)])
    return (
        Finding(
            "not-passive",
            f"The impedance has a negative real part from {first:.0f} Hz on at {100 * share:.0f} "
            "% of the points, which nothing passive has: one input is delayed against the other "
            "or inverted",
            refuses=refuses,
            next_step="Calibrate the rig with both inputs on the source node",
            at_hz=(first,),
        ),
    )


def hum(
    frequency_hz: FloatArray,
    relative_noise: FloatArray,
    lines_hz: tuple[float, ...],
    resonance_hz: float | None,
    *,
    wanted: bool,
) -> tuple[Finding, ...]:
    """Find mains hum that biases the impedance.

    Criterion: where the silences hold a mains line, the relative uncertainty of Z that they
    predict at the points nearest to it, against the points around: what exceeds them threefold
    is hum. It is a bias there rather than noise, the same in the whole point; a point that is
    missing just there was lost to it. A dozen points make up the peak; 3 % of |Z| at one of
    them moves Res and Q by some tenths of a per cent. Within 1.5 times the resonance to either
    side that is refused, as it is where the resonance that was wanted was not found and may hide
    there: behind 15 % of |Z|, or in a gap of a tenth of the frequency.
    Elsewhere the fit gives such a point its small weight, and from 1 % it is mentioned.

    Args:
        frequency_hz: Increasing [Hz], shape (n,).
        relative_noise: Uncertainty from the silences re |Z|, shape (n,); NaN where unknown.
        lines_hz: Mains lines seen in the silences [Hz].
        resonance_hz: Where the resonance is [Hz], if there is one.
    """
    known = np.nan_to_num(relative_noise)
    around = ndimage.median_filter(known, 21, mode="nearest")
    excess = np.where(known > 3.0 * around, known, 0.0)
    spacing = np.diff(frequency_hz)
    worst: tuple[float, float] | None = None
    for at in lines_hz:
        if not frequency_hz[0] < at < frequency_hz[-1]:
            continue
        right = int(np.searchsorted(frequency_hz, at))
        size = hidden = float(excess[max(0, right - 2) : right + 2].max())
        gap = right - 1
        others = np.delete(spacing[max(0, gap - 2) : gap + 3], min(gap, 2))
        if spacing[gap] > _GAP * others.max(initial=0.0):
            size = max(size, _LOST)
        hides = wanted and (hidden > _HIDES or spacing[gap] > _WIDE_GAP * at)
        if resonance_hz is not None:
            hides = size > _HUM_REFUSED and 1 / _HUM_NEAR < at / resonance_hz < _HUM_NEAR
        if hides:
            return (_hum(size, at, resonance_hz, refuses=True),)
        if size > _HUM_MENTIONED and (worst is None or size > worst[0]):
            worst = (size, at)
    return () if worst is None else (_hum(*worst, None, refuses=False),)


def hum_first(at_hz: float) -> Finding:
    """The reason for breaks and drifts where the silences are full of hum."""
    return _hum(_LOST, at_hz, None, refuses=True)


def _hum(size: float, at: float, resonance_hz: float | None, *, refuses: bool) -> Finding:
    near = "" if resonance_hz is None else f", next to the resonance at {resonance_hz:.0f} Hz,"
    much = "a third of the signal or more" if size >= _LOST else f"{100 * size:.2g} % of the signal"
    return Finding(
        "hum",
        f"Mains hum at {at:.0f} Hz{near} is {much} there",
        refuses=refuses,
        next_step=(
            "Break the ground loop, use short shielded cables away from transformers, raise the "
            "drive, and repeat"
        ),
        at_hz=(at,),
    )


def uncalibrated(sample_rate_hz: int, unlike: InputDifference | None) -> Finding:
    """A channel delay of one sample reads as inductance: R tau at |Z| << R (physics section 1)."""
    delay = (
        f"a delay of one sample between them ({1e6 / sample_rate_hz:.0f} us) reads as inductance"
        if unlike is None
        else f"the curve tells a delay of {unlike.delay_samples:.2f} ± "
        f"{2 * unlike.delay_uncertainty:.2f} samples between them, which is taken out"
    )
    return Finding(
        "uncalibrated",
        f"The two inputs were not compared: {delay}. A difference in gain reads as resistance. "
        "The intervals carry what is left; 'freeair rig calibrate' takes it away",
    )
