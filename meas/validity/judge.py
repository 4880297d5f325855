"""The judgement on one take: every physical criterion, each explained where it stands."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np
from numpy.typing import NDArray

from meas.bench.rig import Rig
from meas.correction.divider import from_ratio
from meas.curve import ImpedanceCurve
from meas.errors import Finding
from meas.excitation.stimulus import Stimulus
from meas.transfer.from_sweeps import Transfer
from meas.transfer.passes import Passes
from meas.validity import of_ratio, of_record, of_residual
from meas.validity.of_causality import not_causal
from meas.validity.of_delay import Unlike
from meas.validity.of_resonance import resonance
from meas.validity.of_saturation import saturation
from meas.validity.relation import Relation, relate
from meas.validity.track import Track, swept_band, track

# Two inputs are never known to be alike better than this, calibrated or not.
_LEAST_MISMATCH_PERCENT = 0.1
# A resonance may lie this factor beyond the frequencies swept and still be driven well.
_BAND_MARGIN = 1.1


def judge(
    samples: NDArray[np.float32],
    sample_rate_hz: int,
    passes: Passes,
    transfer: Transfer | None,
    curve: ImpedanceCurve | None,
    rig: Rig,
    *,
    kind: str = "driver",
    stimulus: Stimulus | None = None,
    calibrated: bool = False,
    told: Unlike | None = None,
) -> tuple[Finding, ...]:
    """Judge whether a recording supports the curve made from it.

    Three layers, from the raw samples over the ratio to the residual in time. When a layer finds
    the reason why nothing further can make sense (a dead input), the later ones are left out, so
    that the reasons given are causes and not their consequences.

    Args:
        samples: Source input and driver input, finite, full scale 1, shape (n, 2).
        sample_rate_hz: Rate [Hz].
        passes: From `meas.transfer.passes.find_passes`.
        transfer: From `meas.transfer.from_sweeps.estimate`; None when nothing was driven well
            enough.
        curve: The impedance; None when there is none.
        rig: The bench.
        kind: ``driver``, ``part`` or ``system``; only a driver needs one resonance.
        stimulus: What was played, when it is known.
        calibrated: Whether the channel mismatch was taken out of the curve.
        told: What the coil told of it, taken out of transfer and curve.

    Returns:
        Findings, those that refuse first. What the audio path itself reported (overflows,
        interruptions) is not looked at here: `meas.audio.capture` does.
    """
    findings = _judge(
        samples, sample_rate_hz, passes, transfer, curve, rig, kind, stimulus, calibrated
    )
    if not calibrated and not _refused(findings):
        findings.append(of_ratio.uncalibrated(sample_rate_hz, told))
    return tuple(sorted(findings, key=lambda finding: not finding.refuses))


def _judge(
    samples: NDArray[np.float32],
    sample_rate_hz: int,
    passes: Passes,
    transfer: Transfer | None,
    curve: ImpedanceCurve | None,
    rig: Rig,
    kind: str,
    stimulus: Stimulus | None,
    calibrated: bool,
) -> list[Finding]:
    nothing = of_record.silent(samples, passes) or of_record.same_signal(samples)
    if nothing:
        return list(nothing)
    findings = [
        *of_record.at_full_scale(samples, sample_rate_hz),
        *of_record.blanked(samples, sample_rate_hz, passes),
        *of_record.cut_off(samples, sample_rate_hz, passes, stimulus),
        *of_record.offset(samples),
        *of_record.wrong_rate(samples, sample_rate_hz, passes, stimulus, rig.mains_hz),
        *of_record.resampled(samples, sample_rate_hz, passes),
    ]
    relation = relate(samples, sample_rate_hz, contained=passes.contained)
    wiring = rig.wiring
    if not of_ratio.follows(samples, relation.predicted):
        if not _refused(findings):
            findings += of_ratio.dead_or_at_an_end(wiring.resistor_side)
        return findings
    if transfer is None:
        return _unheard(findings, samples, relation, passes)
    assumed = rig.assumptions
    percent = assumed.calibrated_mismatch_percent if calibrated else assumed.mismatch_percent
    ends = of_ratio.not_connected(
        transfer.ratio, wiring.resistor_side, max(percent, _LEAST_MISMATCH_PERCENT) / 100.0
    )
    if ends or (ends := of_ratio.swapped(transfer.ratio)):
        return [*findings, *ends]
    if rig.wiring.series_resistor_ohm is None:
        return findings
    if curve is None:
        return _unheard(findings, samples, relation, passes)
    impedance, noise = from_ratio(transfer.ratio, transfer.noise_variance, wiring)
    relative_noise = noise / np.abs(impedance)
    known = np.isfinite(relative_noise)
    if known.any():
        # Noise known from the silences is no consequence of any other fault, scatter may be.
        findings += of_ratio.faint(relative_noise[known])
    if kind != "part":
        findings += of_ratio.shorted(curve.impedance_ohm)
    if _refused(findings):
        return findings
    band = swept_band(samples, sample_rate_hz, passes) or transfer.band_hz
    of_curve, resonance_hz = _of_curve(curve, rig, kind, band, calibrated=calibrated)
    hum = of_ratio.hum(
        transfer.frequency_hz,
        relative_noise,
        of_record.mains_lines(samples, sample_rate_hz, passes),
        resonance_hz,
        wanted=kind == "driver",
    )
    findings += hum
    if not _refused(findings):
        findings += _of_residual(samples, relation, passes, resonance_hz, humming=bool(hum))
    # A broken recording gives a broken curve: the break is the reason, the curve its consequence.
    if _refused(findings):
        return findings
    findings += of_curve
    if not _refused(findings):
        findings += not_causal(curve, rig, sample_rate_hz, calibrated=calibrated, kind=kind)
    return findings


def _unheard(
    findings: list[Finding], samples: NDArray[np.float32], relation: Relation, passes: Passes
) -> list[Finding]:
    """Nothing is known well enough: because the recording is broken, or else too faint."""
    if not _refused(findings):
        findings = [*findings, *_of_residual(samples, relation, passes, None, humming=False)]
    return findings if _refused(findings) else [*findings, of_ratio.unheard()]


def _of_curve(
    curve: ImpedanceCurve, rig: Rig, kind: str, band_hz: tuple[float, float], *, calibrated: bool
) -> tuple[list[Finding], float | None]:
    """What the curve shows, and where its resonance is [Hz]."""
    uncertainty, R = curve.standard_uncertainty_ohm, rig.wiring.series_resistor_ohm
    if uncertainty is None or R is None:
        return [], None
    findings = [
        *of_ratio.faint(uncertainty / curve.magnitude_ohm),
        *of_ratio.not_passive(
            curve.frequency_hz, curve.impedance_ohm, uncertainty, calibrated=calibrated, kind=kind
        ),
    ]
    if kind != "driver":
        return findings, None
    low, high = band_hz[0] / _BAND_MARGIN, band_hz[1] * _BAND_MARGIN
    inside = (curve.frequency_hz >= low) & (curve.frequency_hz <= high)
    found, resonance_hz = resonance(
        curve.frequency_hz[inside], curve.impedance_ohm[inside], uncertainty[inside], R
    )
    return [*findings, *found], resonance_hz


def _of_residual(
    samples: NDArray[np.float32],
    relation: Relation,
    passes: Passes,
    resonance_hz: float | None,
    *,
    humming: bool,
) -> list[Finding]:
    """The first reason that the residual shows; later ones would be its consequences."""
    moves = track(relation, passes)
    quiet = quiet_rms(relation, passes, moves)
    saturated = saturation(samples, relation, moves, resonance_hz, swept=passes.swept)
    if saturated:
        return list(saturated)
    broken = of_residual.bursts(samples, relation, moves)
    distorted = of_residual.distortion_size(moves, quiet, swept=passes.swept)
    moved = of_residual.drift(moves, quiet, humming=humming, distorted=distorted)
    slipped = [finding for finding in moved if finding.code == "channel-slip"]
    if slipped and not any(finding.code == "dropout" for finding in broken):
        return slipped
    if _refused(broken):
        return list(broken)
    if moved:
        return [*broken, *moved]
    if humming:  # what hum leaves unexplained is no distortion
        return list(broken)
    return [*broken, *of_residual.distortion(moves, quiet, swept=passes.swept)]


def quiet_rms(relation: Relation, passes: Passes, moves: Track) -> float:
    """Noise of the residual: in the silences, else in its quietest twentieth."""
    if passes.silences:
        pieces = [relation.residual[begin:end] for begin, end in passes.silences]
        return float(np.sqrt(np.mean(np.concatenate(pieces) ** 2)))
    return float(np.quantile(moves.unexplained, 0.05))


def _refused(findings: Iterable[Finding]) -> bool:
    return any(finding.refuses for finding in findings)
