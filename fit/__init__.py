"""Estimating and judging: from impedance curves to a driver's parameters."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from fit.compare.changes import Change, Comparison
    from fit.compare.changes import compare as compare_fits
    from fit.compare.sitting import of_driver as as_held
    from fit.frames import to_frame
    from fit.given.in_python import in_free_air, in_test_box, of_take, session, with_added_mass
    from fit.given.measured import MeasuredCurve, Session, Stated
    from fit.joint import fit_driver
    from fit.results.propagate import derive
    from fit.results.result import DriverFit, Estimate, FittedCurve

__all__ = [
    "Change",
    "Comparison",
    "DriverFit",
    "Estimate",
    "FittedCurve",
    "MeasuredCurve",
    "Session",
    "Stated",
    "as_held",
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
    "Change": "compare.changes",
    "Comparison": "compare.changes",
    "DriverFit": "results.result",
    "Estimate": "results.result",
    "FittedCurve": "results.result",
    "MeasuredCurve": "given.measured",
    "Session": "given.measured",
    "Stated": "given.measured",
    "as_held": "compare.sitting:of_driver",
    "compare_fits": "compare.changes:compare",
    "derive": "results.propagate",
    "fit_driver": "joint",
    "in_free_air": "given.in_python",
    "in_test_box": "given.in_python",
    "of_take": "given.in_python",
    "session": "given.in_python",
    "to_frame": "frames",
    "with_added_mass": "given.in_python",
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
