"""Tables whose columns are named by their units alone (``Hz,ohm``), or not at all."""

from __future__ import annotations

import re
from collections.abc import Sequence

_FREQUENCY, _MAGNITUDE, _PHASE = "frequency_hz", "magnitude_ohm", "phase_deg"
_UNITS = {
    "hz": _FREQUENCY,
    **dict.fromkeys(("ohm", "ohms", "ω"), _MAGNITUDE),
    **dict.fromkeys(("deg", "degrees", "°"), _PHASE),
}
_BARE = (_FREQUENCY, _MAGNITUDE, _PHASE)
NUMBER = re.compile(r"[+-]?(?:[0-9]+[.,]?[0-9]*|[.,][0-9]+)(?:[eE][+-]?[0-9]+)?")


def by_units(names: Sequence[str]) -> list[str]:
    """The full names of columns that are named by units; others stay.

    >>> by_units(["hz", "ohm", "deg"])
    ['frequency_hz', 'magnitude_ohm', 'phase_deg']
    """
    return list(names) if _FREQUENCY in names else [_UNITS.get(name, name) for name in names]


def of_numbers(cells: Sequence[str]) -> list[str] | None:
    """Names of three columns whose first row holds numbers already; None for any other.

    Two could be anything.

    >>> of_numbers(["20", "6.4", "12.5"])
    ['frequency_hz', 'magnitude_ohm', 'phase_deg']
    """
    bare = [cell.strip() for cell in cells]
    while bare and not bare[-1]:
        bare.pop()
    if len(bare) != len(_BARE) or not all(map(NUMBER.fullmatch, bare)):
        return None
    return list(_BARE)
