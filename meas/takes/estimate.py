"""From a recording to its transfer function, by the way that suits the excitation."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from meas.cone.harmonics import harmonics
from meas.curve import FloatArray, TwoInputs
from meas.errors import Finding
from meas.excitation.choice import lag_frames
from meas.excitation.stimulus import Stimulus
from meas.transfer import spoilt_passes as rejection
from meas.transfer.distortion import Distortion
from meas.transfer.from_multisine import estimate_periodic
from meas.transfer.from_stepped_sine import estimate_tones
from meas.transfer.from_sweeps import Transfer, estimate
from meas.transfer.passes import Passes, find_passes
from meas.transfer.points import reduce_to_points
from meas.transfer.spectra import spectra_of_passes


@dataclass(frozen=True, eq=False)
class Estimated:
    """Transfer function of a recording, repetitions that something else spoilt left out.

    Attributes:
        samples: The recording without them, shape (n, 2).
        stimulus: What was played, without them; None when it is not known.
        transfer: None when no frequency was driven well enough to tell.
        distortion: None where the excitation cannot tell it.
        findings: How many repetitions were left out.
    """

    samples: TwoInputs
    passes: Passes
    stimulus: Stimulus | None
    transfer: Transfer | None
    distortion: Distortion | None = None
    findings: tuple[Finding, ...] = ()


def estimate_from(samples: TwoInputs, sample_rate_hz: int, stimulus: Stimulus | None) -> Estimated:
    """Estimate driver input over source input from a recording.

    Args:
        stimulus: What was played, when it is known. A multisine or a stepped sine that is not
            known is taken like any other signal, by the spectra of the whole record.
    """
    passes = find_passes(samples, sample_rate_hz)
    if stimulus is not None and stimulus.periodic is not None:
        lag = lag_frames(stimulus.samples, samples[:, 0], sample_rate_hz)
        first = stimulus.periodic.first_frame + lag
        found = estimate_periodic(samples, sample_rate_hz, stimulus.periodic, first, passes)
        if found is None:
            return Estimated(samples, passes, stimulus, None)
        periodic = stimulus.periodic
        starts = [(first + i * periodic.period_frames) / sample_rate_hz for i in found.rejected]
        left_out = _left_out(starts, periodic.periods, "periods")
        return Estimated(samples, passes, stimulus, found.transfer, found.distortion, left_out)
    if stimulus is not None and stimulus.tones:
        lag = lag_frames(stimulus.samples, samples[:, 0], sample_rate_hz)
        fitted = estimate_tones(samples, sample_rate_hz, stimulus.tones, lag, passes)
        if fitted is None:
            return Estimated(samples, passes, stimulus, None)
        return Estimated(samples, passes, stimulus, *fitted)
    return _from_sweeps(samples, sample_rate_hz, passes, stimulus)


def _from_sweeps(
    samples: TwoInputs, sample_rate_hz: int, passes: Passes, stimulus: Stimulus | None
) -> Estimated:
    out = spoilt_passes(samples, sample_rate_hz, passes)
    left_out: tuple[Finding, ...] = ()
    if out.any():
        starts = [
            one.start / sample_rate_hz for one, drop in zip(passes.passes, out, strict=True) if drop
        ]
        left_out = _left_out(starts, out.size, "sweeps")
        samples = rejection.cut_out(samples, passes, out)
        if stimulus is not None and len(stimulus.passes) == out.size:
            stimulus = rejection.without(stimulus, out)
        passes = find_passes(samples, sample_rate_hz)
    transfer = estimate(samples, sample_rate_hz, passes)
    distortion = None
    if stimulus is not None and transfer is not None:
        distortion = harmonics(samples, sample_rate_hz, stimulus, passes, transfer)
    return Estimated(samples, passes, stimulus, transfer, distortion, left_out)


def spoilt_passes(samples: TwoInputs, sample_rate_hz: int, passes: Passes) -> NDArray[np.bool_]:
    """Find the passes that something else spoilt, by `meas.transfer.spoilt_passes`, shape (p,)."""
    none = np.zeros(len(passes.passes), dtype=np.bool_)
    if not passes.contained or rejection.most_left_out(none.size) == 0:
        return none
    points = reduce_to_points(spectra_of_passes(samples, sample_rate_hz, passes))
    if points is None:
        return none
    weight: FloatArray = 1.0 / points.pass_gain
    known = np.isfinite(points.pass_ratio).all(axis=0) & np.isfinite(weight).all(axis=0)
    # Beyond the band there is noise and no drive, in every pass.
    power = points.source_power * points.frequency_hz
    known &= power > 1e-6 * power.max()
    if not known.any():
        return none
    frequency = points.frequency_hz[known]
    values, weight = points.pass_ratio[:, known], weight[:, known]
    return rejection.spoilt(values, weight, rejection.octaves(frequency), np.ones(frequency.size))


def _left_out(starts_s: list[float], of: int, what: str) -> tuple[Finding, ...]:
    if not starts_s:
        return ()
    times = ", ".join(f"{start:.1f}" for start in starts_s)
    return (
        Finding(
            "left-out",
            f"{len(starts_s)} of {of} {what} disagreed with the others and were left out (from "
            f"{times} s): something else moved the cone - a door, a lorry, a voice - or samples "
            "were lost. The rest agree; repeat in quiet if it happens often",
        ),
    )
