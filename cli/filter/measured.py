"""A finished crossover section, measured as two-port into its real load, beside its prediction."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from fit.results.numbers import significant
from meas.errors import Finding, Refused, UsageError

if TYPE_CHECKING:
    from fit.crossover.network import NetworkSolution
    from meas.bench.rig import Calibration, Rig
    from meas.curve import ComplexArray, FloatArray

# What a one-port's checks call wrong and a two-port's transfer function may well be.
_OF_ONE_PORTS = {
    *("open-driver", "shorted-driver", "swapped-inputs", "not-passive", "no-resonance"),
    *("faint", "unknown-resistor", "outside-calibration", "nonlinear", "hum"),
}
_AGREES_DB = 0.5
_AUDIBLE_DB = -30.0


@dataclass(frozen=True, eq=False)
class MeasuredTransfer:
    """A section as measured.

    Attributes:
        source: The take or recording.
        frequency_hz: Shape (n,).
        ratio: Voltage at the driver over voltage at the section's input, complex, shape (n,).
        uncertainty_db: Standard uncertainty of the level [dB], shape (n,).
        difference_db: Measured minus predicted level [dB], shape (n,).
        weighed: Points where the section lets more than -30 dB through, bool, shape (n,).
    """

    branch: str
    source: str
    frequency_hz: FloatArray
    ratio: ComplexArray
    uncertainty_db: FloatArray
    difference_db: FloatArray
    weighed: np.ndarray
    findings: tuple[Finding, ...]

    @property
    def rms_db(self) -> float:
        """Root mean square of the difference where the section lets something through [dB]."""
        return float(np.sqrt(np.mean(self.difference_db[self.weighed] ** 2)))

    @property
    def worst(self) -> tuple[float, float]:
        """Largest difference [dB] and its frequency [Hz]."""
        inside = np.where(self.weighed, np.abs(self.difference_db), -1.0)
        k = int(np.argmax(inside))
        return float(self.difference_db[k]), float(self.frequency_hz[k])


def compare(
    text: str | None, branch: str | None, solution: NetworkSolution
) -> MeasuredTransfer | None:
    """Measure the section of a take or a two-channel recording and compare.

    Args:
        text: A take (kind part) or a WAV or FLAC file; None where none was measured.
        branch: Which section; None: the only one.

    Raises:
        UsageError: If the branch is not named or not there.
        Refused: If the recording supports no transfer function.
    """
    if text is None:
        if branch is not None:
            raise UsageError("--branch means nothing without --measured-transfer", where="--branch")
        return None
    names = [one.branch.name for one in solution.branches]
    if branch is None and len(names) == 1:
        branch = names[0]
    if branch not in names:
        raise UsageError(
            "which section was measured?" if branch is None else f"there is no {branch}",
            where="--branch",
            remedy=f"One of: {' '.join(names)}.",
        )
    frequency, ratio, variance, known = _transfer(text)
    predicted = solution.branches[names.index(branch)]
    inside = (frequency >= solution.frequency_hz[0]) & (frequency <= solution.frequency_hz[-1])
    if np.count_nonzero(inside) < 10:
        raise Refused.because(
            "no-common-band", "the section was measured where the drivers are not known", where=text
        )
    frequency, ratio, variance = frequency[inside], ratio[inside], variance[inside]
    level = np.interp(np.log(frequency), np.log(solution.frequency_hz), predicted.level_db)
    measured = 20 * np.log10(np.abs(ratio))
    made = MeasuredTransfer(
        branch=branch,
        source=text,
        frequency_hz=frequency,
        ratio=ratio,
        uncertainty_db=8.686 * np.sqrt(variance) / np.abs(ratio),
        difference_db=measured - level,
        weighed=level > _AUDIBLE_DB,
        findings=known,
    )
    if not made.weighed.any():
        raise Refused.because(
            "faint", "the section lets nothing through in the band that was measured", where=text
        )
    return replace(made, findings=(*known, *_judged(made)))


def _judged(made: MeasuredTransfer) -> list[Finding]:
    worst, at = made.worst
    if made.rms_db <= _AGREES_DB:
        return []
    return [
        Finding(
            "section-differs",
            f"the {made.branch} section departs from its prediction by {made.rms_db:.2g} dB (root "
            f"mean square), most at {significant(at)} Hz ({worst:+.2g} dB). Look for a wrong "
            "value, a part in the wrong place, a winding resistance left out, or coils that couple",
        )
    ]


def _transfer(text: str) -> tuple[FloatArray, ComplexArray, FloatArray, tuple[Finding, ...]]:
    """Frequencies, transfer function, variance of each part, and doubts."""
    from cli.terminal import progress
    from meas.takes import take as takes

    path = Path(text)
    with progress.working("looking at the recording"):
        if takes.is_take(path):
            take = takes.load(path)
            if take.kind != "part":
                raise UsageError(
                    f"is a take of a {take.kind}; a section is taken with --kind part",
                    where=text,
                    remedy="The checks that a driver must pass do not hold for a section.",
                )
            refusing = [f for f in take.reasons if f.code not in _OF_ONE_PORTS]
            if refusing:
                raise Refused(refusing, where=text, remedy="Take it again.")
            recorded = takes.read_capture(path)
            return _ratio(recorded.samples, recorded.sample_rate_hz, take.rig.calibration, text)
        return _of_recording(path, text)


def _of_recording(
    path: Path, text: str
) -> tuple[FloatArray, ComplexArray, FloatArray, tuple[Finding, ...]]:
    from meas.audio import recording
    from meas.bench.rig import Rig, Wiring
    from meas.takes import analysis

    recorded = recording.read(path)
    # Any resistor will do: only what is wrong with the recording itself is asked.
    rig: Rig = Rig(name="section", wiring=Wiring(series_resistor_ohm=10.0))
    samples = np.asarray(recorded.samples, dtype=np.float32)
    found = analysis.analyse(samples, recorded.sample_rate_hz, rig, kind="part")
    refusing = [f for f in found.findings if f.refuses and f.code not in _OF_ONE_PORTS]
    if refusing:
        raise Refused(refusing, where=text, remedy="Record it again.")
    return _ratio(recorded.samples, recorded.sample_rate_hz, None, text)


def _ratio(
    samples: np.ndarray, rate: int, calibration: Calibration | None, text: str
) -> tuple[FloatArray, ComplexArray, FloatArray, tuple[Finding, ...]]:
    from meas.transfer.from_sweeps import estimate
    from meas.transfer.passes import find_passes

    transfer = estimate(samples, rate, find_passes(samples, rate))
    if transfer is None:
        raise Refused.because(
            "silent-input", "nothing that both inputs share was heard", where=text
        )
    frequency, ratio, variance = transfer.frequency_hz, transfer.ratio, transfer.variance
    doubts: tuple[Finding, ...] = ()
    mismatch = None if calibration is None else calibration.find("same-node")
    if mismatch is not None:
        inside = (frequency >= mismatch.frequency_hz[0]) & (frequency <= mismatch.frequency_hz[-1])
        frequency, ratio, variance = frequency[inside], ratio[inside], variance[inside]
        known = np.log(mismatch.frequency_hz)
        K = np.interp(np.log(frequency), known, mismatch.ratio.real) + 1j * np.interp(
            np.log(frequency), known, mismatch.ratio.imag
        )
        ratio, variance = ratio / K, variance / np.abs(K) ** 2
    else:
        doubts = (
            Finding(
                "uncalibrated",
                "the inputs are not calibrated: their gains differ by up to 3 %, which is 0.26 dB "
                "(common practice, no source)",
            ),
        )
    keep = np.isfinite(ratio) & np.isfinite(variance) & (np.abs(ratio) > 0)
    return frequency[keep], ratio[keep], variance[keep], doubts
