"""What the errors of a bench do to a curve, against circuit laws and differences."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
from made_signals import divider, driver
from numpy.typing import NDArray

from meas.bench.rig import Assumptions, Calibration, Rig, Standard, Wiring
from meas.correction.divider import from_ratio
from meas.correction.systematics import bench_systematics
from meas.curve import Systematic

F = np.geomspace(10.0, 20000.0, 200)
Z = driver()(F)
RATE = 48000
WIRINGS = [
    Wiring(series_resistor_ohm=10.0, resistor_side=side, input_resistance_ohm=Ri)  # type: ignore[arg-type]
    for side in ("hot", "ground")
    for Ri in (None, 600.0, 10e3)
]
CALIBRATION = Calibration(
    standards=(
        Standard(
            kind="same-node",
            taken_at="2026-03-01T10:00:00+01:00",
            sample_rate_hz=RATE,
            device="default",
            source_input=1,
            driver_input=2,
            points=((10.0, 1.0, 0.0, 1e-9), (20000.0, 1.0, 0.0, 1e-9)),
        ),
    )
)
# The effects are central differences: good to some 1e-8 of the largest.
NEAR = 1e-6


def ids(wiring: Wiring) -> str:
    return f"{wiring.resistor_side}-{wiring.input_resistance_ohm}"


def circuit(wiring: Wiring) -> NDArray[np.complex128]:
    """The ratio by Kirchhoff's current law, computed outside the project."""
    R, Ri = wiring.series_resistor_ohm, wiring.input_resistance_ohm
    assert R is not None
    return divider(driver(), R, wiring.resistor_side, Ri)(F)


def bench(wiring: Wiring, **assumed: float) -> Rig:
    return Rig(name="bench-7f3a", wiring=wiring, assumptions=Assumptions(**assumed))  # type: ignore[arg-type]


def systematics(rig: Rig, calibrated: bool = False) -> dict[str, Systematic]:
    calibration = CALIBRATION if calibrated else None
    found = bench_systematics(F, Z, rig, calibration=calibration, sample_rate_hz=RATE)
    by_source = {one.source: one for one in found}
    assert len(by_source) == len(found)
    return by_source


def difference(
    wiring: Wiring, change: Callable[[float], tuple[NDArray[np.complex128], Wiring]], step: float
) -> NDArray[np.complex128]:
    """Central difference of the measured impedance for a unit of a cause."""
    ends = [from_ratio(*_with_variance(*change(sign * step)))[0] for sign in (1, -1)]
    return (ends[0] - ends[1]) / (2 * step)


def _with_variance(ratio: NDArray[np.complex128], wiring: Wiring) -> tuple[Any, Any, Wiring]:
    return ratio, np.ones(ratio.size), wiring


@pytest.mark.parametrize("wiring", WIRINGS, ids=ids)
def test_derivatives_against_differences(wiring: Wiring) -> None:
    # Central differences with a relative step of 1e-5 are good to some 1e-9.
    ratio = circuit(wiring)
    root3 = np.sqrt(3.0)
    found = systematics(bench(wiring, mismatch_percent=2.0, mismatch_delay_samples=0.5))
    R, Ri = wiring.series_resistor_ohm, wiring.input_resistance_ohm
    assert R is not None

    most = 1 / (1 + R / (Ri or np.inf)) if wiring.resistor_side == "hot" else 1.0
    expected = {
        # A lead in series adds its own ohms, wherever it is.
        "leads:bench-7f3a": np.full(F.shape, 0.05 / root3, dtype=complex),
        "resistor:bench-7f3a": difference(
            wiring,
            lambda d: (ratio, wiring.model_copy(update={"series_resistor_ohm": R * (1 + d)})),
            1e-5,
        )
        * (0.01 / root3),
        "mismatch-gain:bench-7f3a": difference(wiring, lambda d: (ratio * (1 + d), wiring), 1e-5)
        * (0.02 / root3),
        "mismatch-delay:bench-7f3a": difference(
            wiring, lambda d: (ratio * np.exp(-2j * np.pi * F * d / RATE), wiring), 1e-5
        )
        * (0.5 / root3),
        "resistor-contact:bench-7f3a": difference(
            wiring,
            lambda d: (ratio, wiring.model_copy(update={"series_resistor_ohm": R + d})),
            1e-4,
        )
        * (0.02 / root3),
        # What the driver input hears where it should read nothing; both inputs on one node show it
        # as a gain, and so does calibration.
        "crosstalk:bench-7f3a": difference(
            wiring, lambda d: (ratio + d * (1 - ratio / most), wiring), 1e-5
        )
        * (0.001 / root3),
        # A high-pass corner moved by d Hz: 1/(1 - j d/f) is 1 + j d/f to first order.
        "mismatch-coupling:bench-7f3a": difference(
            wiring, lambda d: (ratio / (1 - 1j * d / F), wiring), 1e-5
        )
        * (0.3 / root3),
    }
    if Ri is None:
        # 10 kohm or more, parallel to the driver or to the resistor: taken off as a conductance G,
        # Z/(1 - G Z) or Z (1 + G R). Less of it, as a larger resistance is.
        by_conductance = -(Z**2) if wiring.resistor_side == "hot" else R * Z
        expected["input-resistance:bench-7f3a"] = by_conductance / 10e3 / root3
    else:
        expected["input-resistance:bench-7f3a"] = difference(
            wiring,
            lambda d: (ratio, wiring.model_copy(update={"input_resistance_ohm": Ri * (1 + d)})),
            1e-5,
        ) * (0.1 / root3)
    assert set(found) == set(expected)
    for source, derivative in expected.items():
        scale = np.abs(derivative).max()
        assert np.allclose(found[source].derivative_ohm, derivative, atol=NEAR * scale), source


def test_resistor_goes_one_to_one_into_impedance() -> None:
    # Without input loading Z is proportional to R: 1 % limits are 0.577 % of Z everywhere.
    for wiring in (WIRINGS[0], WIRINGS[3]):
        effect = systematics(bench(wiring))["resistor:bench-7f3a"].derivative_ohm
        assert np.allclose(effect, Z * 0.01 / np.sqrt(3), rtol=NEAR)


def test_a_gain_error_weighs_with_the_impedance_on_one_side_and_against_it_on_the_other() -> None:
    # Differentials of Z = R H/(1 - H) and Z = R (1 - H)/H: relative error e (1 + Z/R) on the hot
    # side and -e (1 + R/Z) on the ground side.
    e = 0.03 / np.sqrt(3)
    hot, ground = (
        systematics(bench(wiring))["mismatch-gain:bench-7f3a"].derivative_ohm / Z
        for wiring in (WIRINGS[0], WIRINGS[3])
    )
    assert np.allclose(hot, e * (1 + Z / 10.0), rtol=NEAR)
    assert np.allclose(ground, -e * (1 + 10.0 / Z), rtol=NEAR)


def test_calibration_leaves_its_own_limits() -> None:
    rig = bench(WIRINGS[0], calibrated_mismatch_percent=0.03, calibrated_delay_samples=0.001)
    before, after = systematics(rig), systematics(rig, calibrated=True)
    for cause, share in (("mismatch-gain", 0.03 / 3.0), ("mismatch-delay", 0.001 / 1.0)):
        source = f"{cause}:bench-7f3a"
        assert np.allclose(
            after[source].derivative_ohm, before[source].derivative_ohm * share, rtol=NEAR
        )
        assert "calibrat" in after[source].text


def test_no_error_no_entry() -> None:
    rig = bench(
        WIRINGS[1].model_copy(
            update={"tolerance_percent": 0.0, "input_resistance_tolerance_percent": 0.0}
        ),
        mismatch_percent=0.0,
        lead_ohm=0.0,
        crosstalk_percent=0.0,
        coupling_hz=0.0,
    )
    left = {"mismatch-delay:bench-7f3a", "resistor-contact:bench-7f3a"}  # nobody states contacts
    assert set(systematics(rig)) == left


def test_crosstalk_weighs_with_all_that_is_in_the_loop() -> None:
    # dZ = (R + Z)^2/R dH with dH = c (1 - H) = c R/(R + Z): c (R + Z), whatever Z is (elementary).
    effect = systematics(bench(WIRINGS[0]))["crosstalk:bench-7f3a"].derivative_ohm
    assert np.allclose(effect, 1e-3 / np.sqrt(3) * (10.0 + Z), rtol=NEAR)


def test_delay_mimics_inductance() -> None:
    # One sample at 48 kHz behind 10 ohm with 6 ohm: R |d(1/(1-H))| gives
    # L = (delay/R) Z (R + Z) = 20.8 us x 6 x 16/10 = 0.2 mH (elementary).
    flat = np.full(F.size, 6.0 + 0j)
    rig = bench(WIRINGS[0], mismatch_delay_samples=np.sqrt(3.0))
    found = bench_systematics(F, flat, rig, calibration=None, sample_rate_hz=RATE)
    delay = next(one for one in found if one.source.startswith("mismatch-delay"))
    inductance = -delay.derivative_ohm.imag / (2 * np.pi * F)
    assert np.allclose(inductance, 0.2e-3, rtol=NEAR)
