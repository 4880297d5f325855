"""Results as pandas tables, where pandas is installed (the extra ``tables``)."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from fit.compare.changes import Comparison
from fit.results.result import DriverFit, FittedCurve
from meas.curve import ImpedanceCurve, MagnitudeCurve

if TYPE_CHECKING:
    from pandas import DataFrame


def to_frame(
    result: DriverFit | Comparison | FittedCurve | ImpedanceCurve | MagnitudeCurve,
) -> DataFrame:
    """Convert a result to a table, in SI base units.

    A fit and a comparison have one row per parameter, under its symbol; a curve has one row per
    frequency, in the columns of impedance tables, so that ``to_csv`` writes one.

    Args:
        result: Fit, comparison, or curve, measured or fitted.

    Raises:
        ImportError: If pandas is not installed.
        TypeError: If there is no table of such a thing.
    """
    try:
        import pandas
    except ImportError as error:
        raise ImportError(
            "pandas is not installed: install freeair with its extra 'tables', or pandas itself"
        ) from error
    if isinstance(result, DriverFit):
        return pandas.DataFrame.from_dict(
            {
                symbol: {
                    "value": estimate.value,
                    "unit": estimate.unit,
                    "standard_uncertainty": estimate.standard_uncertainty,
                    "low_95": estimate.interval_95[0],
                    "high_95": estimate.interval_95[1],
                }
                for symbol, estimate in result.parameters.items()
            },
            orient="index",
        ).rename_axis("parameter")
    if isinstance(result, Comparison):
        return pandas.DataFrame(
            {
                "before": [change.before for change in result.changes],
                "after": [change.after for change in result.changes],
                "unit": [change.unit for change in result.changes],
                "change_relative": [change.change_relative for change in result.changes],
                "standard_uncertainty": [c.standard_uncertainty for c in result.changes],
                "low_95": [change.interval_95[0] for change in result.changes],
                "high_95": [change.interval_95[1] for change in result.changes],
                "verdict": [change.verdict for change in result.changes],
            },
            index=pandas.Index([change.parameter for change in result.changes], name="parameter"),
        )
    if not isinstance(result, FittedCurve | ImpedanceCurve | MagnitudeCurve):
        raise TypeError(f"there is no table of a {type(result).__name__}")
    return pandas.DataFrame(
        _columns(result), index=pandas.Index(result.frequency_hz, name="frequency_hz")
    )


def _columns(curve: FittedCurve | ImpedanceCurve | MagnitudeCurve) -> dict[str, object]:
    if isinstance(curve, MagnitudeCurve):
        columns: dict[str, object] = {"magnitude_ohm": curve.magnitude_ohm}
    elif isinstance(curve, ImpedanceCurve):
        columns = _parts("", curve.impedance_ohm)
    elif np.iscomplexobj(curve.measured_ohm):
        columns = _parts("", curve.measured_ohm)
    else:
        columns = {"magnitude_ohm": curve.measured_ohm}
    if isinstance(curve, FittedCurve):
        return columns | _parts("model_", curve.model_ohm) | _parts("motional_", curve.motional_ohm)
    if curve.standard_uncertainty_ohm is not None:
        columns["standard_uncertainty_ohm"] = curve.standard_uncertainty_ohm
    return columns


def _parts(prefix: str, ohm: object) -> dict[str, object]:
    return {
        f"{prefix}resistance_ohm": np.real(np.asarray(ohm)),
        f"{prefix}reactance_ohm": np.imag(np.asarray(ohm)),
    }
