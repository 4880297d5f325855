"""Do fits of typed-in tables cover? Drivers, rows, digits and kinds of table, many seeds each.

    PYTHONPATH=. python tests/campaigns/campaign_typed_tables.py --seeds 40 --kinds
    magnitude,phase,pair

prints one line for each kind and number of rows: how many 95 % intervals of each parameter hold
the truth, over all drivers and seeds, and how wide they are. What is refused is counted apart:
nobody is misled by it. `test_typed_tables.py` runs a reduced form.

A table is made as a person makes it: half of the rows over the whole band, half of them around
the resonance; readings that scatter by up to 3 %, off by up to 1 % together (the meter and its
resistor, rectangular), rounded to two significant digits, phase to whole degrees.
"""

from __future__ import annotations

import argparse
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path
from tempfile import TemporaryDirectory

import driver_bench as bench
import numpy as np

from cli.words import table_scale
from fit.given.measured import FreeAir, MeasuredCurve
from fit.joint import fit_driver
from meas.errors import Refused
from meas.tables import csv_table

TWEETER = bench.Driver(
    Re=5.0, Mms=0.3e-3, Cms=93.6e-6, Rms=0.716, Bl=2.73, Sd=7e-4, K=0.0008, n=0.72
)
DRIVERS = {
    "woofer": bench.WOOFER,
    "subwoofer": bench.SUBWOOFER,
    "midrange": bench.MIDRANGE,
    "tweeter": TWEETER,
}
NAMES = ("Re", "fs", "Qms", "Qes", "Qts")
KINDS = ("rounded", "magnitude", "phase", "pair")
ROWS = (12, 20, 40)


def significant(values, digits):
    """Rounded to so many significant digits."""
    place = 10.0 ** (np.floor(np.log10(values)) - digits + 1)
    return np.round(values / place) * place


def frequencies(fs, low, high, rows):
    """Half of the rows from low to high, half of them around the resonance."""
    near = rows // 2
    found = [
        np.geomspace(low, high, rows - near),
        np.geomspace(fs / 1.5, fs * 1.5, near + 2)[1:-1],
    ]
    return np.unique(significant(np.concatenate(found), 3))


def typed(driver, frequency, rng, *, scatter, digits, phase):
    """The text of a table as somebody types it."""
    z = driver.impedance(frequency) * (1 + 0.01 * rng.uniform(-1, 1))
    size = significant(np.abs(z) * (1 + scatter * rng.standard_normal(z.size)), digits)
    columns = {"frequency_hz": frequency, "magnitude_ohm": size}
    if phase:
        turned = np.degrees(np.angle(z)) + 2 * rng.standard_normal(z.size)
        columns["phase_deg"] = np.round(turned)
    rows = zip(*columns.values(), strict=True)
    return "\n".join([",".join(columns), *(",".join(f"{x:.6g}" for x in row) for row in rows)])


def tables(kind, driver, rows, rng):
    """The tables of one driver: one, or a coarse wide one and a dense one by another meter."""
    fs = driver.truth["fs"] * np.exp(rng.uniform(-0.1, 0.1))  # nobody knows it beforehand
    low, high = fs / 4, min(20e3, 200 * fs)
    if kind == "pair":
        wide = np.unique(significant(np.geomspace(low, high, rows), 3))
        dense = np.unique(significant(np.geomspace(fs / 2, fs * 2, rows), 3))
        return [
            typed(driver, wide, rng, scatter=0.03, digits=2, phase=False),
            typed(driver, dense, rng, scatter=0.01, digits=3, phase=False),
        ]
    scatter = 0.0 if kind == "rounded" else rng.uniform(0.005, 0.03)
    frequency = frequencies(fs, low, high, rows)
    return [typed(driver, frequency, rng, scatter=scatter, digits=2, phase=kind == "phase")]


def fitted(texts):
    """A fit of tables as the command makes it, through files."""
    curves = []
    with TemporaryDirectory() as folder:
        for number, text in enumerate(texts):
            path = Path(folder) / f"table{number}.csv"
            path.write_text(text)
            curve = table_scale.read(None).on(path, csv_table.read(path))
            curves.append(MeasuredCurve(path.name, curve, FreeAir()))
    return fit_driver(curves, bench.SESSION)


@dataclass
class Tally:
    """What became of many fits."""

    fits: int = 0
    inside: Counter[str] = field(default_factory=Counter)
    given: Counter[str] = field(default_factory=Counter)
    refused: Counter[str] = field(default_factory=Counter)
    widths: dict[str, list[float]] = field(default_factory=lambda: {name: [] for name in NAMES})

    def add(self, driver, texts):
        """Fit once more."""
        self.fits += 1
        try:
            fit = fitted(texts)
        except Refused as error:
            self.refused[error.reasons[0].code] += 1
            return
        for name in NAMES:
            if name not in fit.parameters:
                continue
            low, high = fit.parameters[name].interval_95
            self.given[name] += 1
            self.inside[name] += low <= driver.truth[name] <= high
            self.widths[name].append(float(np.log(high / low) / 2))


def run(kind: str, rows: int, seeds: Sequence[int]) -> Tally:
    """All drivers, all seeds."""
    tally = Tally()
    for name, driver in DRIVERS.items():
        for seed in seeds:
            rng = np.random.default_rng([seed, rows, list(DRIVERS).index(name)])
            tally.add(driver, tables(kind, driver, rows, rng))
    return tally


def main() -> None:
    """Print the table."""
    options = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    options.add_argument("--seeds", type=int, default=40)
    options.add_argument("--kinds", default=",".join(KINDS))
    options.add_argument("--rows", default=",".join(map(str, ROWS)))
    asked = options.parse_args()
    print("kind       rows  fits  refused  " + "  ".join(f"{name:>13}" for name in NAMES))
    for kind in asked.kinds.split(","):
        for rows in map(int, asked.rows.split(",")):
            tally = run(kind, rows, range(asked.seeds))
            cells = [
                f"{100 * tally.inside[name] / max(tally.given[name], 1):4.0f} % ±"
                f"{100 * np.median(tally.widths[name] or [0]):4.1f} %"
                for name in NAMES
            ]
            refused = sum(tally.refused.values())
            print(f"{kind:<10} {rows:4d}  {tally.fits:4d}  {refused:7d}  " + "  ".join(cells),
                  flush=True)  # fmt: skip


if __name__ == "__main__":
    main()
