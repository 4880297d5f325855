"""Small archives of invented drivers: tables and takes written in milliseconds."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import driver_bench
import numpy as np

from meas.bench.rig import Rig
from meas.tables import csv_table
from meas.takes import take

POINTS = 60
BEGIN = datetime(2026, 3, 2, 9, 0, tzinfo=UTC)
MASS_KG = 7.5e-3


def unit_of(series: driver_bench.Driver, number: int, *, spread: float = 0.03):
    """One unit of a series: parts scatter normally by `spread`, the same for the same number."""
    rng = np.random.default_rng(number)
    scatter = 1 + spread * rng.standard_normal(3)
    return replace(
        series, Cms=series.Cms * scatter[0], Rms=series.Rms * scatter[1], Re=series.Re * scatter[2]
    )


def curve(driver, seed: int, *, mass: float = 0.0, points: int = POINTS):
    rng = np.random.default_rng([seed, round(1e6 * mass)])
    frequency = np.geomspace(10.0, 20e3, points)
    return driver_bench.curve(
        driver.impedance(frequency, mass=mass), rng, frequency=frequency, resistor=0.0
    )


def write_table(path: Path, driver, seed: int = 0, *, mass: float = 0.0, comments=(), **how):
    path.parent.mkdir(parents=True, exist_ok=True)
    csv_table.write(path, curve(driver, seed, mass=mass, **how), comments)


def write_take(folder: Path, unit: str, driver, seed: int = 0, *, mass=0.0, hours=0.0, label="",
               findings=(), kind="driver", points=POINTS) -> Path:  # fmt: skip
    """A take whose capture is a token: a refit reads its curve."""
    condition = take.TakeCondition()
    if mass:
        condition = take.TakeCondition("added-mass", mass, 1e-4, f"{1e3 * mass:g}g")
    made = take.Take(
        unit=unit,
        kind=kind,
        condition=condition,
        label=label,
        taken_at=(BEGIN + timedelta(hours=hours)).isoformat(),
        rig=Rig.model_validate({"name": "bench-3f9a", "wiring": {"series_resistor_ohm": 10.0}}),
        sample_rate_hz=48000,
        peak=(0.5, 0.3),
        excitation={"kind": "imported"},
        software="freeair test",
        findings=tuple(findings),
        curve=curve(driver, seed, mass=mass, points=points),
    )
    return take.save(made, np.zeros((64, 2), np.float32), folder)
