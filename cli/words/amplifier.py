"""A stated drive: volts at the terminals, or watts into a rated resistance."""

from __future__ import annotations

import math
from dataclasses import dataclass

from cli.terminal import show
from cli.words import units, values
from meas.errors import UsageError

_RATED_OHM = 8.0


@dataclass(frozen=True)
class Drive:
    """Output of the amplifier.

    Attributes:
        volt_rms: At its terminals [V].
    """

    volt_rms: float
    words: str


def read_optional(text: str | None, rated: str | None) -> Drive | None:
    """Read a drive that may be left out.

    Raises:
        UsageError: If a rated impedance stands alone.
    """
    if text is not None:
        return read(text, rated)
    if rated is not None:
        raise UsageError("--rated means nothing without --drive", where="freeair filter")
    return None


def read(text: str, rated: str | None) -> Drive:
    """A drive such as ``10W`` (into the rated impedance) or ``9V``.

    Raises:
        UsageError: If it is neither, or a rated impedance stands beside volts.
    """
    if text.strip().endswith("V"):
        if rated is not None:
            raise UsageError(
                "a rated impedance means nothing beside volts",
                where="--rated",
                remedy="Leave it out, or give the drive in watts.",
            )
        volt = values.voltage(text, "--drive").value
        return Drive(volt, f"{volt:.3g} V")
    watt = values.read(units.POWER, text, "--drive").value
    if rated is None:
        ohm = _RATED_OHM
        show.default_taken(f"rated impedance not given: {ohm:g} ohm")
    else:
        ohm = values.resistance(rated, "--rated").value
    volt = math.sqrt(watt * ohm)
    return Drive(volt, f"{watt:g} W into {ohm:g} Ω, {volt:.3g} V")
