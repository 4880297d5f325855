"""Two recordings of one input in, curve and findings out: the analysis by substitution."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from meas.bench.rig import Rig, Substitution
from meas.curve import Curve, ImpedanceCurve
from meas.errors import Finding, UnreadableInput, refusals, refusals_first
from meas.excitation.stimulus import Stimulus
from meas.one_input.substitution import curve_from, paired, transfer_of
from meas.validity import of_record, of_residual
from meas.validity.of_resonance import resonance
from meas.validity.relation import relate
from meas.validity.track import track

_NAMES = ("recording of the known resistor", "recording of the driver")
_TWICE = Finding(
    "same-signal",
    "Both recordings hold the same signal: the resistor was recorded twice, or the driver was",
    refuses=True,
    next_step="Swap them in between",
)


@dataclass(frozen=True, eq=False)
class Substituted:
    """Result of two recordings: curve, findings and what they rest on.

    Attributes:
        curve: Impedance, or magnitude alone; None when nothing can be computed.
        peak: Largest magnitude with the known resistor and with the driver; full scale is 1.
    """

    curve: Curve | None
    findings: tuple[Finding, ...]
    peak: tuple[float, float]


def analyse_substituted(
    known: NDArray[np.float32],
    driver: NDArray[np.float32],
    sample_rate_hz: int,
    rig: Rig,
    using: Substitution,
    *,
    kind: str = "driver",
    stimulus: Stimulus | None = None,
) -> Substituted:
    """Turn two recordings of one input into a curve and judge it.

    Args:
        known: Recording with the known resistor in the driver's place, shape (n,).
        driver: Recording with the driver, shape (m,).

    Raises:
        UnreadableInput: If a sample is no number, or the two do not hold the same excitation.
    """
    if not (np.all(np.isfinite(known)) and np.all(np.isfinite(driver))):
        raise UnreadableInput(
            "the recording holds values that are not numbers",
            where="recording",
            remedy="Record it again",
        )
    peak = (float(np.max(np.abs(known))), float(np.max(np.abs(driver))))
    unmoved = [np.stack([one, one], axis=1) for one in (known, driver)]
    if any(np.std(one) < 1e-6 for one in (known, driver)):
        size = min(known.size, driver.size)
        both = np.stack([known[:size], driver[:size]], axis=1)
        dead = of_record.silent(both, transfer_of(both, 8000)[0], _NAMES)
        return Substituted(None, refusals_first(dead), peak)
    samples = paired(known, driver, sample_rate_hz)
    passes, transfer = transfer_of(samples, sample_rate_hz)
    findings = [
        *([_TWICE] if of_record.same_signal(samples) else []),
        *of_record.at_full_scale(samples, sample_rate_hz, _NAMES),
        *of_record.blanked(samples, sample_rate_hz, passes, _NAMES),
        *of_record.cut_off(unmoved[0], sample_rate_hz, passes, stimulus),
        *of_record.wrong_rate(samples, sample_rate_hz, passes, stimulus, rig.mains_hz),
    ]
    curve = None
    if rig.wiring.series_resistor_ohm is None:
        findings.append(
            Finding(
                "unknown-resistor",
                "The series resistor is not known",
                refuses=True,
                next_step="Set series_resistor_ohm in the rig file",
            )
        )
    elif transfer is not None:
        curve = curve_from(transfer, rig, using)
    if curve is None and not refusals(findings):
        findings.append(
            Finding(
                "faint",
                "Nothing of the driver can be told: the node stays silent, or the driver is open "
                "or shorted",
                refuses=True,
                next_step="Check the wiring and raise the drive",
            )
        )
    if not refusals(findings):
        relation = relate(samples, sample_rate_hz, contained=passes.contained)
        moves = track(relation, passes)
        quiet = [relation.residual[begin:end] for begin, end in passes.silences]
        rms = float(np.sqrt(np.mean(np.concatenate(quiet) ** 2))) if quiet else 0.0
        findings += of_residual.bursts(samples, relation, moves, _NAMES)
        if not refusals(findings):
            findings += of_residual.drift(moves, rms, humming=False)
            findings += of_residual.distortion(moves, rms, swept=passes.swept, name=_NAMES[1])
    if curve is not None and not refusals(findings):
        findings += _of_curve(curve, kind)
    return Substituted(curve, refusals_first(findings), peak)


def _of_curve(curve: Curve, kind: str) -> list[Finding]:
    findings: list[Finding] = []
    noise = curve.standard_uncertainty_ohm
    if isinstance(curve, ImpedanceCurve) and kind == "driver" and noise is not None:
        findings += resonance(curve.frequency_hz, curve.impedance_ohm, noise)[0]
    total = np.zeros(curve.frequency_hz.size)
    for cause in curve.systematics:
        total += np.abs(cause.derivative_ohm) ** 2
    worst = np.sqrt(total) / curve.magnitude_ohm
    text = (
        f"Measured with one input by substitution: |Z| is uncertain by {100 * worst.min():.1f} to "
        f"{100 * worst.max():.0f} % (standard), most where it is far above the known resistor. "
    )
    text += (
        "The phase is rebuilt from the magnitude. "
        if isinstance(curve, ImpedanceCurve)
        else "The band does not let the phase be rebuilt: magnitude only. "
    )
    text += "Two inputs measure far better"
    return [*findings, Finding("substitution", text)]
