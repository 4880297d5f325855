"""Ratio to impedance, and what the bench does to it, against circuit laws and differences."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
from made_signals import divider, driver
from numpy.typing import NDArray

from meas.curve import Systematic
from meas.impedance import bench_systematics, from_ratio, to_ratio
from meas.rig import Assumptions, Rig, Wiring

F = np.geomspace(10.0, 20000.0, 200)
Z = driver()(F)
RATE = 48000
WIRINGS = [
    Wiring(series_resistor_ohm=10.0, resistor_side=side, input_resistance_ohm=Ri)  # type: ignore[arg-type]
    for side in ("hot", "ground")
    for Ri in (None, 600.0, 10e3)
]


def ids(wiring: Wiring) -> str:
    return f"{wiring.resistor_side}-{wiring.input_resistance_ohm}"


def circuit(wiring: Wiring) -> NDArray[np.complex128]:
    """The ratio by Kirchhoff's current law, computed outside the project."""
    R, Ri = wiring.series_resistor_ohm, wiring.input_resistance_ohm
    assert R is not None
    return divider(driver(), R, wiring.resistor_side, Ri)(F)


@pytest.mark.parametrize("wiring", WIRINGS, ids=ids)
def test_impedance_from_the_circuit_and_back(wiring: Wiring) -> None:
    ratio = circuit(wiring)
    impedance, _ = from_ratio(ratio, np.full(F.size, 1e-12), wiring)
    assert np.allclose(impedance, Z, rtol=1e-12)
    assert np.allclose(to_ratio(Z, wiring), ratio, rtol=1e-12)


@pytest.mark.parametrize("wiring", WIRINGS[:1] + WIRINGS[3:4], ids=ids)
def test_noise_is_magnified_as_circuit_theory_says(wiring: Wiring) -> None:
    # |dZ| = |dH| |R + Z|^2/R on both sides: the differential of Z = R H/(1 - H) and R (1 - H)/H.
    variance = np.full(F.size, 1e-10)
    _, uncertainty = from_ratio(circuit(wiring), variance, wiring)
    assert np.allclose(uncertainty, 1e-5 * np.abs(10.0 + Z) ** 2 / 10.0, rtol=1e-12)


@pytest.mark.parametrize("wiring", WIRINGS, ids=ids)
def test_uncertainty_by_trial(wiring: Wiring) -> None:
    # JCGM 101: propagate the distribution itself. 4000 draws of two parts: the standard deviation
    # is known to 1/sqrt(2 x 8000) = 0.8 %, 5 of which are allowed.
    rng = np.random.default_rng(1)
    deviation = 1e-6
    noise = rng.normal(0, deviation, (4000, 2, 10))
    some = slice(None, None, 20)
    ratio = circuit(wiring)[some]
    drawn, _ = from_ratio((ratio + noise[:, 0] + 1j * noise[:, 1]).ravel(), np.ones(40000), wiring)
    spread = np.sqrt(np.mean(np.abs(drawn.reshape(4000, 10) - Z[some]) ** 2, axis=0) / 2)
    _, stated = from_ratio(ratio, np.full(10, deviation**2), wiring)
    assert np.allclose(stated, spread, rtol=0.04)


def test_a_bench_without_known_resistor_has_no_ohms() -> None:
    with pytest.raises(ValueError, match="resistor"):
        from_ratio(circuit(WIRINGS[0]), np.ones(F.size), Wiring())


def bench(wiring: Wiring, **assumed: float) -> Rig:
    return Rig(name="bench-7f3a", wiring=wiring, assumptions=Assumptions(**assumed))  # type: ignore[arg-type]


def systematics(rig: Rig, calibrated: bool = False) -> dict[str, Systematic]:
    found = bench_systematics(F, Z, rig, calibrated=calibrated, sample_rate_hz=RATE)
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

    expected = {
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
    }
    if Ri is not None:
        expected["input-resistance:bench-7f3a"] = difference(
            wiring,
            lambda d: (ratio, wiring.model_copy(update={"input_resistance_ohm": Ri * (1 + d)})),
            1e-5,
        ) * (0.1 / root3)
    assert set(found) == set(expected)
    for source, derivative in expected.items():
        scale = np.abs(derivative).max()
        assert np.allclose(found[source].derivative_ohm, derivative, atol=1e-8 * scale), source


def test_resistor_goes_one_to_one_into_impedance() -> None:
    # Without input loading Z is proportional to R: 1 % limits are 0.577 % of Z everywhere.
    for wiring in (WIRINGS[0], WIRINGS[3]):
        effect = systematics(bench(wiring))["resistor:bench-7f3a"].derivative_ohm
        assert np.allclose(effect, Z * 0.01 / np.sqrt(3), rtol=1e-12)


def test_a_gain_error_weighs_with_the_impedance_on_one_side_and_against_it_on_the_other() -> None:
    # Differentials of Z = R H/(1 - H) and Z = R (1 - H)/H: relative error e (1 + Z/R) on the hot
    # side and -e (1 + R/Z) on the ground side.
    e = 0.03 / np.sqrt(3)
    hot, ground = (
        systematics(bench(wiring))["mismatch-gain:bench-7f3a"].derivative_ohm / Z
        for wiring in (WIRINGS[0], WIRINGS[3])
    )
    assert np.allclose(hot, e * (1 + Z / 10.0), rtol=1e-12)
    assert np.allclose(ground, -e * (1 + 10.0 / Z), rtol=1e-12)


def test_calibration_leaves_its_own_limits() -> None:
    rig = bench(WIRINGS[0], calibrated_mismatch_percent=0.03, calibrated_delay_samples=0.001)
    before, after = systematics(rig), systematics(rig, calibrated=True)
    for cause, share in (("mismatch-gain", 0.03 / 3.0), ("mismatch-delay", 0.001 / 1.0)):
        source = f"{cause}:bench-7f3a"
        assert np.allclose(
            after[source].derivative_ohm, before[source].derivative_ohm * share, rtol=1e-12
        )
        assert "calibrat" in after[source].text


def test_no_error_no_entry() -> None:
    rig = bench(WIRINGS[0].model_copy(update={"tolerance_percent": 0.0}), mismatch_percent=0.0)
    assert set(systematics(rig)) == {"mismatch-delay:bench-7f3a"}


def test_delay_mimics_inductance() -> None:
    # One sample at 48 kHz behind 10 ohm with 6 ohm: R |d(1/(1-H))| gives
    # L = (delay/R) Z (R + Z) = 20.8 us x 6 x 16/10 = 0.2 mH (elementary).
    flat = np.full(F.size, 6.0 + 0j)
    rig = bench(WIRINGS[0], mismatch_delay_samples=np.sqrt(3.0))
    found = bench_systematics(F, flat, rig, calibrated=False, sample_rate_hz=RATE)
    delay = next(one for one in found if one.source.startswith("mismatch-delay"))
    inductance = -delay.derivative_ohm.imag / (2 * np.pi * F)
    assert np.allclose(inductance, 0.2e-3, rtol=1e-9)
