"""The same driver in two sittings: another room and other weather are no change of the driver."""

from dataclasses import replace

import driver_bench as bench
import numpy as np
import pytest

from fit.compare.changes import compare
from fit.joint import fit_driver

COPPER = 0.00393
"""Of resistance, per kelvin from 20 C: IEC 60028."""
PASCAL, KELVIN = 3000.0, 8.0
"""Limits of what weather and a heated room do (common practice, no source)."""
VOLUME = 0.012


def _sitting(pascal, kelvin, seed, told=(0.0, 0.0), limits=(PASCAL, KELVIN)):
    """A fit of free air and box in air that departs from 1013.25 hPa and 20 C by so much.

    The stiffness of air goes with its pressure (rho c^2 = gamma p), the coil with the room.
    """
    rng = np.random.default_rng(seed)
    driver = replace(bench.WOOFER, Re=bench.WOOFER.Re * (1 + COPPER * kelvin))
    modulus = bench.GAMMA_P * (1 + pascal / 101325.0)
    z = [
        driver.impedance(bench.FREQUENCY),
        driver.impedance(bench.FREQUENCY, volume=VOLUME, modulus=modulus),
    ]
    session = replace(
        bench.with_area(driver.Sd, 0.0001),
        pressure=bench.stated(101325.0 + told[0], limits[0], "air-pressure"),
        temperature=bench.stated(293.15 + told[1], limits[1], "air-temperature"),
    )
    takes = [
        bench.free("free", bench.curve(z[0], rng)),
        bench.boxed("box", bench.curve(z[1], rng), VOLUME, 1e-6),
    ]
    return fit_driver(takes, session, model="lossy")


def test_weather_and_room_that_nobody_read_change_no_driver():
    # Differences of two rectangular errors: within 1.96 of their standard uncertainty, which is
    # 0.80 of their reach, lie 1 - 0.2^2 = 96 %; of 40 at least 34 but for one in a thousand.
    rng = np.random.default_rng(20261128)
    found = dict.fromkeys(("Re_20C", "Cms", "Mms", "Bl"), 0)
    for seed in range(0, 80, 2):
        air = rng.uniform(-1, 1, (2, 2)) * (PASCAL, KELVIN)
        compared = compare(*(_sitting(*a, seed + i) for i, a in enumerate(air)))
        for name in found:
            low, high = compared.change(name).interval_95
            found[name] += low <= 0 <= high
    assert min(found.values()) >= 34, found


def test_air_that_leads_is_said():
    compared = compare(_sitting(0.0, 0.0, 1), _sitting(2000.0, 4.0, 2))
    assert compared.change("Re_20C").verdict == "undecided"
    (note,) = [n for n in compared.notes if "that of the air" in n]
    assert "Re at 20 °C" in note and "Cms" in note and "fs" not in note.split(":")[0]


def test_air_that_was_read_hides_nothing():
    air = (-1500.0, -3.0), (2000.0, 4.0)
    close = [_sitting(*a, seed, a, (100.0, 0.2)) for seed, a in enumerate(air)]
    compared = compare(*close)
    assert not any("that of the air" in note for note in compared.notes)
    assert compared.change("Re").verdict == "changed"
    # 7 K of copper.
    assert compared.change("Re").change_relative == pytest.approx(7 * COPPER, rel=0.05)
    for name in ("Re_20C", "Cms", "Mms", "Bl"):
        assert compared.change(name).verdict == "unchanged"
