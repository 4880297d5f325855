"""A standard measured from a recording that was judged like that of a take."""

from __future__ import annotations

from meas.bench.rig import Rig, Standard
from meas.correction.calibration import What, measure
from meas.curve import TwoInputs
from meas.errors import Refused
from meas.validity.of_standard import judge_standard


def measure_standard(
    samples: TwoInputs,
    sample_rate_hz: int,
    rig: Rig,
    device: str,
    taken_at: str,
    what: What | None = None,
) -> Standard:
    """Measure a standard, as `meas.correction.calibration.measure`, and judge its recording.

    Args:
        what: The standard; None for both inputs on the source node.

    Raises:
        UnreadableInput: If a sample is not finite.
        Refused: If the recording is not one of that standard, or a correction derived from it
            would carry its faults into every take.
    """
    standard = measure(samples, sample_rate_hz, rig, device, taken_at, what)
    reasons = judge_standard(samples, sample_rate_hz)
    if reasons:
        raise Refused(reasons, where="calibration", remedy="Record the standard again.")
    return standard
