"""Error that all ohms of a table share, of which the table says nothing."""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from cli.terminal import show
from cli.words import assumed, values
from meas.errors import UsageError

if TYPE_CHECKING:
    from meas.curve import Curve

OPTION = "--table-tolerance"
_LARGEST = 20.0
_OF_TAKES = "a take knows its resistor from the rig file"


@dataclass(frozen=True)
class TableScale:
    """Limits of the factor by which all ohms of tables may be off.

    A resistor or a meter that is off makes all ohms of a table off by one factor, which goes one
    to one into Re and Le, half into Bl, and not into fs or any Q.

    Attributes:
        percent: Limits of the factor [per cent].
        meter: Name of what measured them all, so that they share the error; None: each table
            has its own, for nobody said that one meter measured them all.
        said: What to tell about limits that were assumed; empty where they were stated.
    """

    percent: float
    meter: str | None = None
    said: str = ""

    def on(self, path: Path, curve: Curve) -> Curve:
        """The curve of a table with this error; one that knows its bench is left alone."""
        from meas.curve import ImpedanceCurve, Systematic

        if curve.systematics or not self.percent:
            return curve
        # For a magnitude the effect is real, as `Systematic` has it.
        ohm: Any = curve.impedance_ohm if isinstance(curve, ImpedanceCurve) else curve.magnitude_ohm
        # By content: a table is the same measurement under whatever name it stands.
        own = hashlib.sha256(ohm.tobytes() + curve.frequency_hz.tobytes()).hexdigest()[:16]
        what = self.meter if self.meter is not None else f"the ohms in {path.name}"
        error = Systematic(
            f"table-scale:{own if self.meter is None else self.meter}",
            f"scale of {what} ±{self.percent:.2g} %",
            ohm * (self.percent / 100 / 3**0.5),
        )
        return replace(curve, systematics=(error,))

    def tell(self, tables: Sequence[str]) -> None:
        """Say what was assumed for these tables, where anything was."""
        if self.said and tables:
            show.default_taken(f"{', '.join(tables)}: {self.said}")


def refuse_without_tables(text: str | None, *, tables: bool, known: str = _OF_TAKES) -> None:
    """Refuse a tolerance of tables where there is none.

    Args:
        text: The tolerance as written; None where none was.
        known: Why what there is needs no tolerance.

    Raises:
        UsageError: If it means nothing.
    """
    if text is not None and not tables:
        raise UsageError(
            f"there is no table: {known}", where=OPTION, remedy="Leave the option out."
        )


def read(text: str | None) -> TableScale:
    """Read ``--table-tolerance``: ``PCT`` or ``METER=PCT``.

    Raises:
        UsageError: If it cannot be read or is no tolerance.
    """
    if text is None:
        percent, said = assumed.table_scale()
        return TableScale(percent, None, said)
    name, sign, written = text.rpartition("=")
    meter = " ".join(name.split())
    if sign and not meter:
        raise UsageError(
            f"'{text}' has no name before the equals sign",
            where=OPTION,
            remedy="Write --table-tolerance 0.5%, or a name for the meter that measured all "
            "tables: --table-tolerance meter=0.5%.",
        )
    value = values.percent(written, OPTION)
    if not 0 <= value.value <= _LARGEST:
        raise UsageError(
            f"{written} is no tolerance of a resistor or a meter",
            where=OPTION,
            remedy=f"Between 0 and {_LARGEST:g} %.",
        )
    return TableScale(value.value, meter or None)
