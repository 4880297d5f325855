"""Ratio to impedance against circuit laws."""

from __future__ import annotations

import numpy as np
import pytest
from made_signals import divider, driver
from numpy.typing import NDArray

from meas.bench.rig import Wiring
from meas.correction.divider import from_ratio, to_ratio

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
