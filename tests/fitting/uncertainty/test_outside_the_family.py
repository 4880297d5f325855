"""Coils that none of our models is: the intervals must own up to it.

A coil in iron is a diffusion problem; no ladder of a few inductors and no single power law follows
it over three decades (J. Vanderkooy, J. Audio Eng. Soc. 37(3), 1989; J. R. Wright, J. Audio Eng.
Soc. 38(10), 1990). ngspice plays longer ladders and sums of power laws. What is right about such
a driver, fs, Q, mass, can be told from near its resonance; so no interval may miss the truth, and
none may be so wide that it says nothing.
"""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from ngspice_bench import Driver, Load, ac_impedance, fractional_inductor
from program import fit_json

pytestmark = pytest.mark.ngspice


def _power_law(size_1khz: float, n: float, series_inductance: float) -> Driver:
    extra, sections = fractional_inductor(size_1khz / (2e3 * math.pi) ** n, n, 10, 20000)
    (first, _), *others = sections
    # What is constant about the power law below the band belongs to Re by any definition.
    return Driver(Re=Driver().Re + extra, coil=((first + series_inductance, None), *tuple(others)))


DRIVERS = {
    "three inductors": Driver(coil=((0.15e-3, None), (0.3e-3, 8.0), (0.6e-3, 2.0))),
    "five inductors": Driver(
        coil=((0.1e-3, None), (0.1e-3, 60.0), (0.2e-3, 20.0), (0.3e-3, 6.0), (0.6e-3, 1.0))
    ),
    "diffusion and stray field": _power_law(3.0, 0.6, 0.15e-3),
    "weak diffusion": _power_law(4.0, 0.75, 0.05e-3),
}
# Widest 95 % half-width that is of use: common practice, no source. Re has a multimeter beside it;
# a coil that leaves 3 to 4 % of |Z| over leaves Re open by up to three times as much.
USEFUL = {"Re": 0.10, "fs": 0.02, "Qms": 0.15, "Qes": 0.15, "Mms": 0.15, "Bl": 0.10}


def _table(path: Path, driver: Driver, load: Load, folder: Path) -> Path:
    frequency_hz, z = ac_impedance(driver, load, folder)
    sigma = 1e-4 * np.abs(z)
    rng = np.random.default_rng(17)
    z = z + sigma * (rng.normal(size=z.size) + 1j * rng.normal(size=z.size))
    rows = np.column_stack([frequency_hz, z.real, z.imag, sigma])
    head = "frequency_hz,resistance_ohm,reactance_ohm,standard_uncertainty_ohm"
    np.savetxt(path, rows, delimiter=",", header=head, comments="", fmt="%.10g")
    return path


@pytest.fixture(scope="module", params=DRIVERS)
def fitted(
    request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory
) -> tuple[dict[str, Any], dict[str, float]]:
    """The fit of free air and added mass, and the truth."""
    driver = DRIVERS[request.param]
    truth = replace(driver, Re=Driver().Re).truth()
    folder = tmp_path_factory.mktemp("outside")
    free = _table(folder / "free.csv", driver, Load(), folder / "ac")
    mass = _table(folder / "mass.csv", driver, Load(mass=12e-3), folder / "ac")
    return fit_json(free, "--added-mass", f"{mass}=12g±0.05g"), truth


def _in_words(report: dict[str, Any], truth: dict[str, float], symbol: str) -> str:
    low, high = (100 * (x / truth[symbol] - 1) for x in report["parameters"][symbol]["interval_95"])
    return f"{symbol}: {low:+.2f} to {high:+.2f} %"


def test_no_interval_misses_the_truth(
    fitted: tuple[dict[str, Any], dict[str, float]],
) -> None:
    report, truth = fitted
    wrong = []
    for symbol in USEFUL:
        low, high = report["parameters"][symbol]["interval_95"]
        if not low <= truth[symbol] <= high:
            wrong.append(_in_words(report, truth, symbol))
    residual = report["curves"][0]["residual_rms_relative"]
    assert not wrong, f"{report['model']}, residual {residual:.2%}: {'; '.join(wrong)}"


def test_intervals_are_of_use(fitted: tuple[dict[str, Any], dict[str, float]]) -> None:
    report, truth = fitted
    wrong = []
    for symbol, widest in USEFUL.items():
        low, high = report["parameters"][symbol]["interval_95"]
        if (high - low) / (high + low) > widest:
            wrong.append(_in_words(report, truth, symbol))
    residual = report["curves"][0]["residual_rms_relative"]
    assert not wrong, f"{report['model']}, residual {residual:.2%}: {'; '.join(wrong)}"
