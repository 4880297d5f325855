"""Recording and rig in, curve and findings out: one function for takes and imports."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from meas.bench.rig import Calibration, Kind, Rig
from meas.cone.rub import rub_and_buzz
from meas.correction.calibration import check_matches
from meas.correction.divider import to_ratio
from meas.correction.error_model import corrected, know, solve
from meas.correction.input_difference import InputDifference
from meas.correction.systematics import bench_systematics
from meas.curve import ComplexArray, FloatArray, ImpedanceCurve, TwoInputs
from meas.errors import Finding, UnreadableInput, refusals
from meas.excitation.stimulus import Stimulus
from meas.takes.estimate import Estimated, estimate_from
from meas.transfer.clock_judgement import OneClock, settle
from meas.transfer.distortion import Distortion
from meas.transfer.from_sweeps import Transfer
from meas.transfer.passes import Passes
from meas.validity.judge import BRINGS_ABOUT, Evidence, causes, judge
from meas.validity.of_delay import difference_shown_by_coil
from meas.validity.of_record import silence_rms
from meas.validity.of_resonance import BASS_HZ
from meas.validity.of_saturation import clipped, flat
from meas.validity.of_side import wrong_side

_SHORTEST_SECONDS = 0.3
# Beyond this the impedance is no longer a linear function of the noise: H is next to 1 (hot
# side) or next to 0 (ground side), and all it says is "open".
_LARGEST_RELATIVE_UNCERTAINTY = 0.3


_UNKNOWN_RESISTOR = Finding(
    "unknown-resistor",
    "The series resistor of this rig is not known, and every ohm is measured against it",
    refuses=True,
    next_step="Measure the resistor and set series_resistor_ohm in the rig file.",
)
_OUTSIDE_CALIBRATION = Finding(
    "outside-calibration",
    "The recording and the calibration of the rig share no band of frequencies",
    refuses=True,
    next_step="Calibrate again with the excitation that you measure with.",
)


@dataclass(frozen=True, eq=False)
class Analysis:
    """Result of a recording: curve, findings and what they rest on.

    Attributes:
        curve: The impedance; None when nothing meaningful can be computed at all. It may stand
            beside a refusal, so that it can be looked at, but no number may be derived from it.
        peak: Largest magnitude at the source and at the driver input; full scale is 1.
        passes: Places of the excitation in the recording.
        transfer: Driver input over source input as recorded, before calibration.
        distortion: Distortion by the driver against frequency, where the excitation tells it.
        unlike: Difference between the inputs that the curve told, and that is taken out of it.
    """

    curve: ImpedanceCurve | None
    findings: tuple[Finding, ...]
    peak: tuple[float, float]
    passes: Passes
    transfer: Transfer | None
    distortion: Distortion | None = None
    calibration: Calibration | None = None
    unlike: InputDifference | None = None

    @property
    def refused(self) -> bool:
        """Tell whether no number may be derived from the recording."""
        return bool(refusals(self.findings))


def analyse(
    samples: TwoInputs,
    sample_rate_hz: int,
    rig: Rig,
    *,
    kind: Kind = "driver",
    stimulus: Stimulus | None = None,
    calibration: Calibration | None = None,
) -> Analysis:
    """Turn a recording into an impedance curve and judge whether it can be trusted.

    Args:
        kind: What was measured; ``part`` and ``system`` need not have one resonance.
        calibration: Standards to correct by; None leaves the errors of the bench in and counts
            them as uncertainty.

    Returns:
        Curve, findings and what they rest on. What the audio path itself reported is not looked
        at here: `meas.audio.capture` does.

    Raises:
        UnreadableInput: If the samples are not two channels of finite numbers, or too few.
        UsageError: If the calibration belongs to another rate, device, resistor or inputs.
    """
    _check_samples(samples, sample_rate_hz)
    if calibration is not None:
        check_matches(calibration, rig, sample_rate_hz)
    # Tones that come one after the other tell time and frequency apart no more than a single
    # sweep does, and each is listened to for too short a time for a drift to matter.
    stepped = stimulus is not None and bool(stimulus.tones)
    clock = OneClock(samples, None) if stepped else settle(samples, sample_rate_hz)
    if clock.moved:
        calibration = None  # what it knows of delays is worth nothing between two clocks
    estimated = estimate_from(clock.samples, sample_rate_hz, stimulus)
    passes, transfer = estimated.passes, estimated.transfer
    findings = list(estimated.findings)
    curve, unlike, matched = None, None, None
    judged: tuple[Transfer, Rig, ImpedanceCurve | None] | None = None
    other_side: tuple[Finding, ...] = ()
    compared = calibration is not None and calibration.knows_channels(rig.wiring.resistor_side)
    if rig.wiring.series_resistor_ohm is None:
        findings.append(_UNKNOWN_RESISTOR)
    elif transfer is not None:
        curve = _curve(transfer, rig, calibration, sample_rate_hz)
        if compared:
            known = know(transfer.frequency_hz, rig, calibration, sample_rate_hz)
            with np.errstate(invalid="ignore", divide="ignore"):  # beyond the calibration's band
                matched = to_ratio(solve(known).impedance(transfer.ratio), rig.wiring)
        if kind == "driver" and curve is not None:
            other_side = wrong_side(curve, rig, sample_rate_hz, calibrated=compared)
        if calibration is None and not clock.moved and not other_side:
            unlike = _difference(transfer, rig, sample_rate_hz, kind)
            kept = judged = _without(unlike, transfer, rig, sample_rate_hz)
            if unlike is not None and kind == "part":
                unlike = replace(unlike, gain=0.0)  # of which the part's own fit knows more
                kept = _without(unlike, transfer, rig, sample_rate_hz)
            transfer, rig, curve = kept
        if curve is None and calibration is not None and not _overlap(transfer, calibration):
            findings.append(_OUTSIDE_CALIBRATION)
    seen, left, shown = judged or (transfer, rig, curve)
    findings += judge(
        Evidence(
            estimated.samples,
            sample_rate_hz,
            passes,
            seen,
            shown,
            left,
            kind,
            estimated.stimulus,
            calibrated=compared,
            unlike=unlike,
            other_side=other_side,
            matched=matched,
        )
    )
    findings += clock.findings(rig, findings)
    if kind == "driver" and transfer is not None and curve is not None:
        findings = _with_rubbing(estimated, sample_rate_hz, curve, findings)
    return Analysis(
        curve=curve,
        findings=tuple(causes(findings)),
        peak=_peak(samples),
        passes=passes,
        transfer=transfer,
        distortion=estimated.distortion,
        calibration=calibration,
        unlike=unlike,
    )


def _difference(
    transfer: Transfer, rig: Rig, sample_rate_hz: int, kind: Kind
) -> InputDifference | None:
    """The difference of inputs that nobody compared, as the coil or the part shows it."""
    f, ratio, part = transfer.frequency_hz, transfer.ratio, kind == "part"
    return difference_shown_by_coil(f, ratio, transfer.variance, rig, sample_rate_hz, part=part)


def _without(
    unlike: InputDifference | None, transfer: Transfer, rig: Rig, sample_rate_hz: int
) -> tuple[Transfer, Rig, ImpedanceCurve | None]:
    """Ratio, what is left unknown of the bench, and curve with a difference taken out."""
    if unlike is not None:
        turned = unlike.taken_out(transfer.frequency_hz, transfer.ratio, sample_rate_hz)
        transfer, rig = replace(transfer, ratio=turned), unlike.narrowed(rig)
    return transfer, rig, _curve(transfer, rig, None, sample_rate_hz)


def _with_rubbing(
    estimated: Estimated, sample_rate_hz: int, curve: ImpedanceCurve, findings: list[Finding]
) -> list[Finding]:
    """The findings with rub and buzz, which replaces the refusals that it brings about itself.

    Peaks cut off at the resonance buzz as well: where the driver input ends flat, it clips.
    """
    refusing = {finding.code for finding in findings if finding.refuses}
    bass = curve.frequency_hz < BASS_HZ
    if estimated.transfer is None or refusing - BRINGS_ABOUT["rub"] or not bass.any():
        return findings
    resonance_hz = float(curve.frequency_hz[bass][np.argmax(curve.impedance_ohm.real[bass])])
    rub = rub_and_buzz(
        estimated.samples, sample_rate_hz, estimated.passes, estimated.transfer, resonance_hz
    )
    if not (rub and refusing):
        return [*findings, *rub]
    voltage = estimated.samples[:, 1]
    if flat(voltage, float(silence_rms(estimated.samples, estimated.passes)[1])):
        return [clipped(1, voltage, "ends flat at its peaks"), *findings]
    return [*(replace(one, refuses=True) for one in rub), *findings]


def _check_samples(samples: TwoInputs, sample_rate_hz: int) -> None:
    if samples.ndim != 2 or samples.shape[1] != 2:
        raise UnreadableInput(
            f"a recording needs two channels, this one has shape {samples.shape}",
            where="recording",
            remedy="Record source input and driver input together as one stereo file",
        )
    shortest = round(_SHORTEST_SECONDS * sample_rate_hz)
    if samples.shape[0] < shortest:
        raise UnreadableInput(
            f"the recording holds {samples.shape[0]} frames, too few for an impedance",
            where="recording",
            remedy=f"Record at least {_SHORTEST_SECONDS:g} s, better one whole sweep of 5 s",
        )
    for channel, name in enumerate(("source", "driver")):
        # The sum is finite unless a sample is not (or a float32 of 1e38 is no audio either).
        if not np.isfinite(np.sum(samples[:, channel], dtype=np.float64)):
            bad = int(np.argmin(np.isfinite(samples[:, channel])))
            raise UnreadableInput(
                f"the {name} input holds a value that is not a number at frame {bad}",
                where="recording",
                remedy="The file is damaged or was written by a broken converter: record again",
            )


def _peak(samples: TwoInputs) -> tuple[float, float]:
    high, low = samples.max(axis=0), samples.min(axis=0)
    peak = np.maximum(high, -low)
    return float(peak[0]), float(peak[1])


def _curve(
    transfer: Transfer, rig: Rig, calibration: Calibration | None, sample_rate_hz: int
) -> ImpedanceCurve | None:
    frequency = transfer.frequency_hz
    known = know(frequency, rig, calibration, sample_rate_hz)
    impedance, uncertainty = corrected(transfer.ratio, transfer.variance, known)
    keep = _meaningful(impedance, uncertainty)
    if not keep.any():
        return None
    frequency, impedance, uncertainty = frequency[keep], impedance[keep], uncertainty[keep]
    return ImpedanceCurve(
        frequency,
        impedance,
        uncertainty,
        bench_systematics(
            frequency, impedance, rig, calibration=calibration, sample_rate_hz=sample_rate_hz
        ),
    )


def _overlap(transfer: Transfer, calibration: Calibration) -> bool:
    low, high = transfer.band_hz
    lowest = max(float(one.frequency_hz[0]) for one in calibration.standards)
    highest = min(float(one.frequency_hz[-1]) for one in calibration.standards)
    return low <= highest and high >= lowest


def _meaningful(impedance: ComplexArray, uncertainty: FloatArray) -> NDArray[np.bool_]:
    finite = np.isfinite(impedance) & np.isfinite(uncertainty) & (uncertainty > 0.0)
    with np.errstate(invalid="ignore"):
        near = np.sqrt(2.0) * uncertainty < _LARGEST_RELATIVE_UNCERTAINTY * np.abs(impedance)
    meaningful: NDArray[np.bool_] = finite & near
    return meaningful
