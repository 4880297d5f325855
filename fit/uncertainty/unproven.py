"""Errors that nobody stated and the curves cannot show, with what would show them."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from fit.given.measured import AddedMass, MeasuredCurve, Session, TestBox
from meas.errors import Finding

_IN_TAKES = Finding(
    "ohms-unproven",
    "Not visible in takes alone: another series resistor than stated, one forgotten across the "
    "driver, channels that mix, a gain touched since calibration, contacts of tenths of an ohm",
    next_step="Read the coil by multimeter (--measured-re), and check the bench on a known "
    "resistor after the takes (freeair rig check)",
)
_IN_TABLES = Finding(
    "ohms-unproven",
    "Not visible in tables alone: ohms that are off by one factor, one resistor forgotten across "
    "the driver",
    next_step="Read the coil by another multimeter (--measured-re), and a known resistor with the "
    "meter that made the tables",
)
_LOAD = Finding(
    "load-unproven",
    "Not visible with one mass or one volume alone: that it is another than stated. Mms, Bl, Cms "
    "and Vas follow it",
    next_step="Weigh or measure it again, or add a take with a second mass or a box",
)


def unproven(
    curves: Sequence[MeasuredCurve], takes: Iterable[object | None], session: Session
) -> list[Finding]:
    """List the errors that would leave no trace in these curves, as nothing else was measured.

    Args:
        takes: The take of each curve; None for a table.
    """
    found = []
    if session.measured_re is None:
        found.append(_IN_TAKES if any(take is not None for take in takes) else _IN_TABLES)
    stated = [curve.condition for curve in curves]
    loads = {one.mass.source for one in stated if isinstance(one, AddedMass)}
    loads |= {one.volume.source for one in stated if isinstance(one, TestBox)}
    if len(loads) == 1 and session.moving_parts is None:
        found.append(_LOAD)
    return found
