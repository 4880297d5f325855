"""Uses of a measured driver: the closed and the vented box that suit it plainly."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING

from fit.box.sealed import SealedBox, sealed_by_Qtc
from fit.box.vented import VentedBox, vented_flattest
from meas.errors import Refused

if TYPE_CHECKING:
    from fit.results.result import Estimate

FLAT_Q = math.sqrt(0.5)
"""Total Q of the maximally flat closed box (R. H. Small, J. Audio Eng. Soc. 20(10), 1972)."""
# Where a cone driver is called what it is called (common practice, no source).
_MIDRANGE_FROM_HZ, _TWEETER_FROM_HZ = 150.0, 500.0
# Beyond these a box is no sensible wish: a tenth of Vas, or five times it (common practice, no
# source).
_LEAST, _MOST = 0.1, 5.0


@dataclass(frozen=True)
class Suggestion:
    """Boxes that suit a driver.

    Attributes:
        kind: ``woofer``, ``midrange`` or ``tweeter``, by its resonance.
        closed: The maximally flat closed box; None where it is too small, too large or no box
            can give it.
        vented: The flattest vented box; None likewise, or where it reaches no lower than the
            closed one.
    """

    kind: str
    closed: SealedBox | None
    vented: VentedBox | None


def suggest(parameters: Mapping[str, Estimate]) -> Suggestion:
    """Say what a driver is good for, by its fs, Qts and Vas.

    Args:
        parameters: Symbol to estimate; ``fs`` and ``Qts`` at least, and ``Vas`` for a box.
    """
    fs, Qts = parameters["fs"].value, parameters["Qts"].value
    kind = "woofer" if fs < _MIDRANGE_FROM_HZ else "midrange"
    if fs >= _TWEETER_FROM_HZ:
        return Suggestion("tweeter", None, None)
    if "Vas" not in parameters:
        return Suggestion(kind, None, None)
    Vas = parameters["Vas"].value
    closed = sealed_by_Qtc(fs, Qts, Vas, FLAT_Q) if Qts < FLAT_Q else None
    if closed is not None and not _LEAST * Vas <= closed.volume <= _MOST * Vas:
        closed = None
    try:
        vented = vented_flattest(fs, Qts, Vas)
    except Refused:
        vented = None
    if vented is not None and (
        not _LEAST * Vas <= vented.volume <= _MOST * Vas
        or (closed is not None and vented.f3 >= closed.f3)
    ):
        vented = None
    return Suggestion(kind, closed, vented)
