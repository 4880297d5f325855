"""Measuring: from a sound card or a recording to a trusted impedance curve."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from meas.curve import ImpedanceCurve, MagnitudeCurve, Systematic
    from meas.errors import Finding, FreeairError, Refused, UnreadableInput, UsageError
    from meas.tables.any_file import read as load_curve
    from meas.takes.take import Take
    from meas.takes.take import load as load_take

__all__ = [
    "Finding",
    "FreeairError",
    "ImpedanceCurve",
    "MagnitudeCurve",
    "Refused",
    "Systematic",
    "Take",
    "UnreadableInput",
    "UsageError",
    "load_curve",
    "load_take",
]

_HOMES = {
    "Finding": "errors",
    "FreeairError": "errors",
    "ImpedanceCurve": "curve",
    "MagnitudeCurve": "curve",
    "Refused": "errors",
    "Systematic": "curve",
    "Take": "takes.take",
    "UnreadableInput": "errors",
    "UsageError": "errors",
    "load_curve": "tables.any_file:read",
    "load_take": "takes.take:load",
}


def __getattr__(name: str) -> object:
    """Import a public name when it is first asked for (PEP 562): the package costs nothing."""
    from importlib import import_module

    if name not in _HOMES:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    module, _, inside = _HOMES[name].partition(":")
    return getattr(import_module(f"{__name__}.{module}"), inside or name)


def __dir__() -> list[str]:
    return sorted([*globals(), *__all__])
