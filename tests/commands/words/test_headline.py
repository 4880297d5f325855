"""The first sentence of a result."""

from __future__ import annotations

from cli.driver.headline import headline
from fit.results.result import DriverFit, Estimate


def driver(**values: float) -> DriverFit:
    units = {"fs": "Hz", "Qts": "1", "Mms": "kg", "Vas": "m3"}
    return DriverFit("lossy", {k: Estimate(v, units[k], {}) for k, v in values.items()}, ())


def test_a_woofer_with_its_boxes() -> None:
    """Closed by Small 1972: Vas/((0.7071/0.41)^2 - 1) = 10.1 L, f3 = 48 Hz 0.7071/0.41 = 83 Hz."""
    said = headline(driver(fs=48.0, Qts=0.41, Mms=0.0132, Vas=0.020))
    assert said.startswith("48 Hz, Qts 0.41, 13 g: a woofer for 10 litres closed (f3 83 Hz) or ")
    assert "litres vented to 47 Hz" in said or "litres vented to 48 Hz" in said


def test_less_is_said_where_less_is_known() -> None:
    assert headline(driver(fs=1150.0, Qts=0.84)) == "1150 Hz, Qts 0.84: a tweeter."
    assert headline(driver(fs=48.0, Qts=1.2, Vas=0.02)) == "48 Hz, Qts 1.2: a woofer."
    assert headline(driver(fs=48.0)) == ""
