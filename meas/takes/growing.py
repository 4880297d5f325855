"""The impedance curve out of a recording that still runs: rough, for the eye, never kept.

A sweep says nothing about frequencies that it has not reached, and what it has just reached still
rings. So the block is faded out where the recording ends, and the curve stops half a second of
sweep before that. Below, it is a whole-block ratio like the final one.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from meas.bench.rig import Rig
from meas.correction.error_model import corrected, know
from meas.curve import ComplexArray, FloatArray, TwoInputs
from meas.excitation.choice import lag_frames
from meas.excitation.stimulus import Stimulus, StimulusPass
from meas.transfer.from_multisine import estimate_periodic
from meas.transfer.from_stepped_sine import estimate_tones
from meas.transfer.from_sweeps import Transfer, estimate
from meas.transfer.passes import LONGEST_TAIL_SECONDS, Pass, Passes

_SEARCHED_SECONDS = 4.0
"""Enough of a sweep to find it by; the whole would cost more at every look."""
_FADED_SECONDS = 0.3
"""End of the block: a third of it is faded (`meas.transfer.spectra`)."""
_RINGING_SECONDS = 0.3
"""How far the curve stays behind: 20 Hz and a Q of 5 ring down by e^-4 (pi f/Q t)."""
_MARGIN_SECONDS = 0.05


@dataclass(frozen=True, eq=False)
class GrowingCurve:
    """Impedance so far, out of a recording that still runs.

    Attributes:
        frequency_hz: Increasing [Hz], shape (n,).
        impedance_ohm: Complex, shape (n,).
        standard_uncertainty_ohm: Random part, of the real and of the imaginary part each,
            shape (n,).
        at_hz: Where a sweep is now [Hz]; None between sweeps and for other excitations.
        lag: How much later than played the recording is, once enough was there to tell [frames].
    """

    frequency_hz: FloatArray
    impedance_ohm: ComplexArray
    standard_uncertainty_ohm: FloatArray
    at_hz: float | None
    lag: int | None = None


def growing_curve(
    samples: TwoInputs,
    sample_rate_hz: int,
    rig: Rig,
    stimulus: Stimulus,
    earlier: GrowingCurve | None = None,
) -> GrowingCurve | None:
    """Estimate the impedance from what was recorded so far.

    Args:
        samples: Source and driver input so far, shape (n, 2).
        earlier: Curve of an earlier call. While a later sweep is on its way, what it has not yet
            passed is taken from here. Without it, earlier sweeps and lag are estimated again.

    Returns:
        The curve; None while there is nothing to tell, and where the series resistor is unknown.
    """
    if rig.wiring.series_resistor_ohm is None or not samples.size:
        return None
    searched = round(_SEARCHED_SECONDS * sample_rate_hz)
    lag = earlier.lag if earlier is not None else None
    if lag is None:
        part = samples[:searched]
        if not np.ptp(part[:, 0]):
            return None
        lag = lag_frames(stimulus.samples[: len(part)], part[:, 0], sample_rate_hz)
    found = _drawn(samples, sample_rate_hz, rig, stimulus, lag, earlier)
    if found is None or len(samples) < searched:
        return found
    return replace(found, lag=lag)


def _drawn(
    samples: TwoInputs,
    sample_rate_hz: int,
    rig: Rig,
    stimulus: Stimulus,
    lag: int,
    earlier: GrowingCurve | None,
) -> GrowingCurve | None:
    at_hz = None
    if stimulus.periodic is not None or stimulus.tones:
        found = _of_repeated(samples, sample_rate_hz, stimulus, lag)
    else:
        found, at_hz, later = _of_sweeps(samples, sample_rate_hz, stimulus, lag)
        if later and earlier is None:
            before, _, _ = _of_sweeps(samples[: later + lag], sample_rate_hz, stimulus, lag)
            earlier = _in_ohm(before, None, rig, sample_rate_hz)
        if later:
            return _joined(_in_ohm(found, at_hz, rig, sample_rate_hz), earlier, at_hz)
    return _in_ohm(found, at_hz, rig, sample_rate_hz)


def _in_ohm(
    found: Transfer | None, at_hz: float | None, rig: Rig, rate: int
) -> GrowingCurve | None:
    if found is None:
        return None
    known = know(found.frequency_hz, rig, rig.calibration, rate)
    impedance, uncertainty = corrected(found.ratio, found.variance, known)
    sound = np.isfinite(impedance) & np.isfinite(uncertainty)
    return GrowingCurve(found.frequency_hz[sound], impedance[sound], uncertainty[sound], at_hz)


def _of_repeated(samples: TwoInputs, rate: int, stimulus: Stimulus, lag: int) -> Transfer | None:
    """Estimate from the complete periods of a multisine or tones of a stepped sine."""
    whole = Pass(0, len(samples), 0, len(samples))
    quiet = max(0, stimulus.passes[0].start_frame + lag - round(_MARGIN_SECONDS * rate))
    passes = Passes((whole,), ((0, quiet),), contained=False, swept=False, excited=True)
    if stimulus.periodic is not None:
        first = stimulus.periodic.first_frame + lag
        periodic = estimate_periodic(samples, rate, stimulus.periodic, first, passes)
        return None if periodic is None else periodic.transfer
    tones = estimate_tones(samples, rate, stimulus.tones, lag, passes)
    return None if tones is None else tones[0]


def _of_sweeps(
    samples: TwoInputs, rate: int, stimulus: Stimulus, lag: int
) -> tuple[Transfer | None, float | None, int]:
    """Estimate from the complete sweeps, or from the one on its way as far as it got.

    Returns:
        The estimate; where the sweep is now [Hz], None between sweeps; and where in the stimulus
        the sweep on its way begins if others came before it, else 0.
    """
    margin = round(_MARGIN_SECONDS * rate)
    starts = [one.start_frame + lag for one in stimulus.passes]
    begun = [k for k, start in enumerate(starts) if start + margin < len(samples)]
    if not begun or starts[0] < 0:
        return None, None, 0
    last = begun[-1]
    since = len(samples) - starts[last]
    at_hz = frequency_at(stimulus.passes[last], stimulus, since, rate)
    wanted = begun if at_hz is None else [last]
    blocks = tuple(_block(samples, stimulus, k, lag, rate) for k in wanted)
    silences = ((0, max(1, starts[0] - margin)),)
    found = estimate(
        samples, rate, Passes(blocks, silences, contained=True, swept=True, excited=True)
    )
    if at_hz is None:
        return found, None, 0
    latest = frequency_at(
        stimulus.passes[last], stimulus, since - round(_RINGING_SECONDS * rate), rate
    )
    later = stimulus.passes[last].start_frame if last else 0
    return _within(found, stimulus.passes[last], latest), at_hz, later


def frequency_at(sweep: StimulusPass, stimulus: Stimulus, frames: int, rate: int) -> float | None:
    """Frequency of a sweep so long after its start [Hz]; None outside it.

    f(t) = f1 exp(t/L), and backwards on the way down (A. Farina, AES 108th Convention, 2000).
    """
    length = sweep.stop_frame - sweep.start_frame
    if not 0 <= frames < length:
        return None
    since = frames if sweep.direction == "up" else length - frames
    return float(stimulus.start_hz * np.exp(since / rate / stimulus.rate_constant_seconds))


def _block(samples: TwoInputs, stimulus: Stimulus, number: int, lag: int, rate: int) -> Pass:
    """The block of a sweep, as far as it was recorded."""
    one, margin = stimulus.passes[number], round(_MARGIN_SECONDS * rate)
    start, stop = one.start_frame + lag, one.stop_frame + lag
    end = stop + round(LONGEST_TAIL_SECONDS * rate)
    if number + 1 < len(stimulus.passes):
        end = min(end, stimulus.passes[number + 1].start_frame + lag - margin)
    end = min(end, len(samples))
    return Pass(max(0, start - margin), end, start, min(stop, end - round(_FADED_SECONDS * rate)))


def _within(
    found: Transfer | None, sweep: StimulusPass, latest_hz: float | None
) -> Transfer | None:
    """Keep the frequencies that a sweep has passed for good."""
    if found is None or latest_hz is None:
        return None
    up = sweep.direction == "up"
    passed = found.frequency_hz < latest_hz if up else found.frequency_hz > latest_hz
    if not passed.any():
        return None
    return replace(
        found,
        frequency_hz=found.frequency_hz[passed],
        ratio=found.ratio[passed],
        variance=found.variance[passed],
    )


def _joined(
    now: GrowingCurve | None, earlier: GrowingCurve | None, at_hz: float | None
) -> GrowingCurve | None:
    """Join what the sweep on its way has passed with what was known before."""
    if now is None or earlier is None:
        known = now or earlier
        return None if known is None else replace(known, at_hz=at_hz)
    low, high = now.frequency_hz[[0, -1]]
    rest = (earlier.frequency_hz < low) | (earlier.frequency_hz > high)
    f = np.concatenate([now.frequency_hz, earlier.frequency_hz[rest]])
    order = np.argsort(f)
    z = np.concatenate([now.impedance_ohm, earlier.impedance_ohm[rest]])
    u = np.concatenate([now.standard_uncertainty_ohm, earlier.standard_uncertainty_ohm[rest]])
    return GrowingCurve(f[order], z[order], u[order], at_hz)
