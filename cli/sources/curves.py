"""One impedance curve out of whatever holds one: a take, a table, a Touchstone file."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from meas.errors import Refused

if TYPE_CHECKING:
    from meas.curve import Curve
    from meas.errors import Finding
    from meas.takes.take import Take


@dataclass(frozen=True)
class Source:
    """A curve and where it came from.

    Attributes:
        text: As named on the command line.
        name: What was measured.
        curve: Its impedance.
        take: The take; None for a table.
        findings: Doubts that the take came with.
    """

    text: str
    name: str
    curve: Curve
    take: Take | None
    findings: tuple[Finding, ...] = ()


def read(text: str) -> Source:
    """A curve from a take's folder, an impedance table (CSV) or a Touchstone file (.s1p).

    Raises:
        UnreadableInput: If it is none of these.
        Refused: If the take was refused when it was made.
    """
    from meas.tables import any_file
    from meas.takes import take as takes

    path = Path(text)
    if not takes.is_take(path):
        return Source(text, path.stem, any_file.read(path), None)
    take = takes.load(path)
    if take.refused or take.curve is None:
        raise Refused(
            take.reasons,
            where=text,
            remedy="This take was refused when it was made and supports no numbers; its "
            "capture.wav is kept. Measure again.",
        )
    return Source(text, take.unit, take.curve, take, take.findings)
