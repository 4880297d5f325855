"""The recording of a take looked at anew, with today's analysis."""

from __future__ import annotations

from typing import TYPE_CHECKING

from meas.errors import Finding

if TYPE_CHECKING:
    from meas.curve import Curve
    from meas.takes.take import Take

_OF_THE_STREAM = ("interrupted", "stream-failed", "wrong-clock")
"""What only the sound system knew while it recorded; a recording does not show it."""


def again(take: Take) -> tuple[Curve | None, tuple[Finding, ...]]:
    """Curve and findings by today's analysis of the recording, with the take's calibration.

    A take with one input keeps its curve: where its two recordings meet is not kept.

    Raises:
        UnreadableInput: If the recording cannot be read.
        UsageError: If the take's calibration does not belong to its recording.
    """
    from cli.bench.take_record import complete
    from meas.excitation import choice
    from meas.takes import analysis
    from meas.takes import take as takes

    how = take.excitation.get("kind")
    if take.path is None or how == takes.SUBSTITUTION:
        text = "a take with one input is not analysed again: it keeps the curve it was made with"
        return take.curve, (*take.findings, Finding("curve-kept", text))
    recorded = takes.read_capture(take.path)
    found = analysis.analyse(
        recorded.samples,
        recorded.sample_rate_hz,
        take.rig,
        kind=take.kind,
        stimulus=None if how == "imported" else choice.build(take.rig),
        calibration=take.rig.calibration,
    )
    known = {finding.code for finding in found.findings}
    lost = any(event.kind.endswith("flow") for event in take.events)
    kept = [
        finding
        for finding in take.findings
        if finding.code not in known
        and (finding.code in _OF_THE_STREAM or (finding.code == "dropout" and lost))
    ]
    return found.curve, complete((*found.findings, *kept), found.curve)
