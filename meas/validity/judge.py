"""The judgement on one take: every physical criterion, each explained where it stands."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from types import MappingProxyType

import numpy as np

from meas.bench.rig import Rig, Wiring
from meas.correction.divider import from_ratio
from meas.correction.input_difference import InputDifference
from meas.curve import ComplexArray, FloatArray, ImpedanceCurve, TwoInputs
from meas.errors import Finding, refusals, refusals_first
from meas.excitation.stimulus import Stimulus
from meas.transfer.from_sweeps import Transfer
from meas.transfer.passes import Passes
from meas.validity import of_ratio, of_record, of_residual
from meas.validity.of_causality import not_causal
from meas.validity.of_low_end import rising, too_high
from meas.validity.of_resonance import outside, resonance
from meas.validity.of_saturation import saturation
from meas.validity.relation import Relation, relate
from meas.validity.track import Track, swept_band, track

# Two inputs are never known to be alike better than this, calibrated or not; a part may be large.
_LEAST_MISMATCH_PERCENT = {"driver": 0.5, "part": 0.1, "system": 0.5}
# A resonance may lie this factor beyond the frequencies swept and still be driven well.
_BAND_MARGIN = 1.1
_LOUD_SILENCE = 0.02
_INVERTED = 0.3  # share of negative resistance that no delay makes of a driver
_LOST_IN_NOISE = 0.1  # noise in the silences re what an input records, beyond which it is to blame

_OF_CURVE = frozenset({"not-passive", "not-causal", "no-resonance", "two-resonances"})
_OF_DRIVER = frozenset({"nonlinear", "gain-riding", "channel-slip", "dropout"})
BRINGS_ABOUT: Mapping[str, frozenset[str]] = MappingProxyType(
    {
        "silent-input": frozenset({"outside-calibration"}),
        "same-signal": frozenset({"outside-calibration"}),
        "shorted-driver": frozenset({"faint"}),
        "rub": _OF_DRIVER,
        "hum": _OF_DRIVER | _OF_CURVE,
        "clipped": _OF_CURVE | {"nonlinear"},
        "dropout": _OF_CURVE | {"faint"},
        "channel-slip": _OF_CURVE | {"faint"},
        "gain-riding": _OF_CURVE,
        "nonlinear": _OF_CURVE,
        "not-causal": frozenset({"two-resonances"}),
        "no-resonance": frozenset({"not-causal"}),
        "not-passive": frozenset({"not-causal"}),
    }
)
"""A reason for a refusal, and the refusals that it brings about by itself: these are left out."""


def causes(findings: Iterable[Finding]) -> list[Finding]:
    """Leave out the refusals that another one brings about; those that refuse come first."""
    findings = refusals_first(findings)
    there = {finding.code for finding in refusals(findings)}
    explained = frozenset[str]().union(*(BRINGS_ABOUT.get(code, frozenset()) for code in there))
    return [one for one in findings if not (one.refuses and one.code in explained)]


@dataclass(frozen=True, eq=False)
class Evidence:
    """Evidence that a take is judged by.

    Attributes:
        sample_rate_hz: Rate [Hz].
        transfer: Ratio of the inputs; None when nothing was driven well enough.
        curve: The impedance; None when there is none.
        kind: ``driver``, ``part`` or ``system``; only a driver needs one resonance.
        stimulus: What was played, when it is known.
        calibrated: Whether the channel mismatch was taken out of the curve.
        unlike: Difference between the inputs that the coil shows, taken out of transfer and curve.
        other_side: That the resistor is on the other side of the driver, if it is.
        matched: Ratio of the transfer with its mismatch calibrated out; None: as recorded.
    """

    samples: TwoInputs
    sample_rate_hz: int
    passes: Passes
    transfer: Transfer | None
    curve: ImpedanceCurve | None
    rig: Rig
    kind: str = "driver"
    stimulus: Stimulus | None = None
    calibrated: bool = False
    unlike: InputDifference | None = None
    other_side: tuple[Finding, ...] = ()
    matched: ComplexArray | None = None


def judge(take: Evidence) -> tuple[Finding, ...]:
    """Judge whether a recording supports the curve made from it.

    Three layers, from the raw samples over the ratio to the residual in time and the curve. When a
    layer finds the reason why nothing further can make sense (a dead input), the later ones are
    left out, so that the reasons given are causes and not their consequences.

    Returns:
        Findings, those that refuse first. What the audio path itself reported (overflows,
        interruptions) is not looked at here: `meas.audio.capture` does.
    """
    findings = _findings(take)
    if not take.calibrated and not refusals(findings):
        findings.append(of_ratio.uncalibrated(take.sample_rate_hz, take.unlike))
    return tuple(causes(findings))


def _findings(take: Evidence) -> list[Finding]:
    """Collect what each layer finds, up to the one after which nothing further makes sense."""
    samples, passes, wiring = take.samples, take.passes, take.rig.wiring
    nothing = of_record.silent(samples, passes) or of_record.same_signal(samples)
    if nothing:
        return list(nothing)
    findings = _in_samples(take)
    relation = relate(samples, take.sample_rate_hz, contained=passes.contained)
    if not of_ratio.follows(samples, relation.predicted):
        if not refusals(findings):
            findings += of_ratio.dead_or_at_an_end(wiring.resistor_side)
        return findings
    if take.transfer is None:
        return _unheard(findings, take, relation)
    if ends := _at_an_end(take.transfer, take):
        return [*findings, *ends]
    if wiring.series_resistor_ohm is None:
        return findings
    if take.curve is None:
        return _unheard(findings, take, relation)
    relative_noise = _relative_noise(take.transfer, wiring)
    # Noise known from the silences is no consequence of any other fault, scatter may be.
    findings += of_ratio.faint(relative_noise[np.isfinite(relative_noise)])
    if take.kind != "part":
        findings += of_ratio.shorted(take.curve.impedance_ohm)
    if not refusals(findings):
        findings += take.other_side or _in_time_and_curve(
            take, take.transfer, take.curve, relation, relative_noise
        )
    return findings


def _in_samples(take: Evidence) -> list[Finding]:
    samples, rate, passes = take.samples, take.sample_rate_hz, take.passes
    return [
        *of_record.at_full_scale(samples, rate),
        *of_record.blanked(samples, rate, passes),
        *of_record.cut_off(samples, rate, passes, take.stimulus),
        *of_record.offset(samples),
        *of_record.wrong_rate(samples, rate, passes, take.stimulus, take.rig.mains_hz),
        *of_record.resampled(samples, rate, passes),
    ]


def _at_an_end(transfer: Transfer, take: Evidence) -> tuple[Finding, ...]:
    """Find a driver that is open or shorted, and exchanged inputs."""
    assumed = take.rig.assumptions
    percent = assumed.calibrated_mismatch_percent if take.calibrated else assumed.mismatch_percent
    alike = max(percent, _LEAST_MISMATCH_PERCENT[take.kind]) / 100.0
    ratio = transfer.ratio if take.matched is None else take.matched
    delay_s = 0.0 if take.calibrated else assumed.mismatch_delay_samples / take.sample_rate_hz
    return of_ratio.not_connected(
        transfer.frequency_hz,
        ratio,
        take.rig.wiring.resistor_side,
        alike,
        delay_s,
        transfer.variance,
    ) or of_ratio.swapped(transfer.ratio, assumed.mismatch_percent / 100.0)


def _relative_noise(transfer: Transfer, wiring: Wiring) -> FloatArray:
    """Uncertainty of Z that the silences predict, re |Z|, shape (n,); NaN where unknown."""
    impedance, noise = from_ratio(transfer.ratio, transfer.noise_variance, wiring)
    return np.asarray(noise / np.abs(impedance))


def _in_time_and_curve(
    take: Evidence,
    transfer: Transfer,
    curve: ImpedanceCurve,
    relation: Relation,
    relative_noise: FloatArray,
) -> list[Finding]:
    """Findings in the residual and in the curve."""
    samples, rate, passes = take.samples, take.sample_rate_hz, take.passes
    low, high = swept_band(samples, rate, passes) or transfer.band_hz
    in_curve, resonance_hz, missed = _in_curve(curve, take, (low, high))
    lines = of_record.mains_lines(samples, rate, passes)
    hum = of_ratio.hum(
        transfer.frequency_hz,
        relative_noise,
        tuple(at for at in lines if low < at < high),
        resonance_hz,
        wanted=take.kind == "driver" and not missed,
    )
    left, distorted = _in_residual(take, relation, resonance_hz, humming=bool(hum))
    known = relative_noise[np.isfinite(relative_noise)]
    faint = known.size and any(one.code == "faint" for one in in_curve)
    if faint and of_ratio.mostly_noise(known) and _noisy(take):
        left = [one for one in left if not one.refuses]
    findings = [*left, *in_curve]
    if not refusals(left):
        findings += not_causal(
            curve, take.rig, rate, calibrated=take.calibrated, kind=take.kind, distorted=distorted
        )
    if any(one.code == "two-resonances" for one in in_curve):
        hum = tuple(replace(one, refuses=False) for one in hum)  # a line beside makes no resonance
    return [*(_hum_of(lines, findings, take, relation) or hum), *findings]


def _hum_of(
    lines_hz: tuple[float, ...], found: list[Finding], take: Evidence, relation: Relation
) -> list[Finding]:
    """Hum as the reason of refusals where the silences are loud enough to bring them about."""
    if not (lines_hz and refusals(found)):
        return []
    silence = of_record.silence_rms(take.samples, take.passes)
    if silence.max() < _LOUD_SILENCE * float(np.std(relation.predicted)):
        return []
    return [of_ratio.hum_first(lines_hz[0])]


def _noisy(take: Evidence) -> bool:
    """Tell whether an input's silences are loud enough to blame; an endless drive has none."""
    heard = take.samples.std(axis=0, dtype=np.float64)
    silence = of_record.silence_rms(take.samples, take.passes)
    return bool(np.any(silence > _LOST_IN_NOISE * heard))


def _unheard(findings: list[Finding], take: Evidence, relation: Relation) -> list[Finding]:
    """Say why nothing is known well enough: the recording is broken, or else too faint."""
    if not refusals(findings) and not _noisy(take):
        findings = [*findings, *_in_residual(take, relation, None, humming=False)[0]]
    return findings if refusals(findings) else [*findings, of_ratio.unheard()]


def _in_curve(
    curve: ImpedanceCurve, take: Evidence, band_hz: tuple[float, float]
) -> tuple[list[Finding], float | None, bool]:
    """Judge the curve: findings, its resonance [Hz], and whether the sweep missed it."""
    uncertainty = curve.standard_uncertainty_ohm
    if uncertainty is None:
        return [], None, False
    f, z = curve.frequency_hz, curve.impedance_ohm
    findings = [
        *of_ratio.faint(uncertainty / curve.magnitude_ohm),
        *of_ratio.not_passive(
            f,
            z,
            uncertainty,
            calibrated=take.calibrated,
            kind=take.kind,
            # Half-widths of rectangular limits.
            unknown_ohm=np.sqrt(
                sum(3 * np.abs(one.derivative_ohm) ** 2 for one in curve.systematics)
            ),
        ),
    ]
    if take.kind != "driver":
        return findings, None, False
    inside = (f >= band_hz[0] / _BAND_MARGIN) & (f <= band_hz[1] * _BAND_MARGIN)
    f, z, uncertainty = f[inside], z[inside], uncertainty[inside]
    turned = 0.0 if take.calibrated else _turned(float(f[0]), complex(z[0]), take)
    found, resonance_hz = resonance(f, z, uncertainty, turned)
    missed = resonance_hz is None and outside(f, z, turned) is not None
    if resonance_hz is not None and not found:
        found = rising(f, z, uncertainty, resonance_hz)
        found += too_high(resonance_hz, take.rig.drive.woofer)
    # What an inverted input leaves has no resonance; else a delay is the lesser trouble.
    inverted = float(np.mean(z.real < 0)) > _INVERTED
    return [*findings, *found] if inverted else [*found, *findings], resonance_hz, missed


def _turned(frequency_hz: float, impedance_ohm: complex, take: Evidence) -> float:
    """Turn of Z, re |Z|, by inputs as unlike as a rig allows: |R + Z|^2/(R |Z|) of the phase."""
    R, assumed = take.rig.wiring.series_resistor_ohm or 1.0, take.rig.assumptions
    delay = 2 * np.pi * frequency_hz * assumed.mismatch_delay_samples / take.sample_rate_hz
    phase = delay + assumed.coupling_hz / frequency_hz
    return float(phase * abs(R + impedance_ohm) ** 2 / (R * abs(impedance_ohm)))


def _in_residual(
    take: Evidence, relation: Relation, resonance_hz: float | None, *, humming: bool
) -> tuple[list[Finding], float]:
    """The first reason that the residual shows, and the share of distortion."""
    samples, swept = take.samples, take.passes.swept
    moves = track(relation, take.passes)
    quiet = quiet_rms(relation, take.passes, moves)
    silence = of_record.silence_rms(samples, take.passes)
    saturated = saturation(samples, relation, moves, resonance_hz, swept=swept, silence_rms=silence)
    if saturated:
        return list(saturated), 0.0
    broken = of_residual.bursts(samples, relation, moves)
    distorted = of_residual.recurring_distortion(moves, quiet, take.passes, take.sample_rate_hz)
    endless = not take.passes.silences
    moved = of_residual.drift(moves, quiet, humming=humming, distorted=distorted, endless=endless)
    slipped = [finding for finding in moved if finding.code == "channel-slip"]
    if slipped and not any(finding.code == "dropout" for finding in broken):
        return slipped, distorted
    if refusals(broken):
        return list(broken), distorted
    if moved:
        return [*broken, *moved], distorted
    if humming:  # what hum leaves unexplained is no distortion
        return list(broken), 0.0
    return [*broken, *of_residual.distortion(moves, quiet, swept=swept)], distorted


def quiet_rms(relation: Relation, passes: Passes, moves: Track) -> float:
    """Noise of the residual: in the silences, else in its quietest twentieth."""
    if passes.silences:
        pieces = [relation.residual[begin:end] for begin, end in passes.silences]
        return float(np.sqrt(np.mean(np.concatenate(pieces) ** 2)))
    return float(np.quantile(moves.unexplained, 0.05))
