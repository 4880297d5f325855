"""Estimating and judging: from impedance curves to a driver's parameters."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from fit.compare import Change, Comparison
    from fit.compare import compare as compare_fits
    from fit.frames import to_frame
    from fit.inputs import in_free_air, in_test_box, of_take, session, with_added_mass
    from fit.joint import fit_driver
    from fit.measured import MeasuredCurve, Session, Stated
    from fit.propagate import derive
    from fit.result import DriverFit, Estimate, FittedCurve

__all__ = [
    "Change",
    "Comparison",
    "DriverFit",
    "Estimate",
    "FittedCurve",
    "MeasuredCurve",
    "Session",
    "Stated",
    "compare_fits",
    "derive",
    "fit_driver",
    "in_free_air",
    "in_test_box",
    "of_take",
    "session",
    "to_frame",
    "with_added_mass",
]

_HOMES = {
    "Change": "compare",
    "Comparison": "compare",
    "DriverFit": "result",
    "Estimate": "result",
    "FittedCurve": "result",
    "MeasuredCurve": "measured",
    "Session": "measured",
    "Stated": "measured",
    "compare_fits": "compare:compare",
    "derive": "propagate",
    "fit_driver": "joint",
    "in_free_air": "inputs",
    "in_test_box": "inputs",
    "of_take": "inputs",
    "session": "inputs",
    "to_frame": "frames",
    "with_added_mass": "inputs",
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
