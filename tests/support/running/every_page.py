"""Every page that the program writes, made by its commands from invented drivers."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import made_archive
import numpy as np
from driver_bench import WOOFER, Driver
from every_figure import PLAIN
from made_fits import fit_of

from cli.main import run
from fit.results.store import to_json

AIR = ("--air-temperature", "21C", "--air-pressure", "1002hPa")
LONG = "Attic woofer, second try with the paper cone"
LANTERN = replace(WOOFER, Sd=0.0109)
SPARK = Driver(Re=4.9, Mms=0.4e-3, Cms=0.045e-3, Rms=0.9, Bl=2.6, Sd=7e-4, K=3e-3)
POINTS = 200
NAMES = (
    "woofer", "tweeter", "free-air", "differ", "break-in", "box", "built", "crossover", "coil",
    "limits", "judged", "spread", "pairs", "levels", "index", "refit",
)  # fmt: skip


def freeair(*words: str | Path) -> None:
    """Run a command that has to succeed."""
    status = run([str(word) for word in words])
    assert status == 0, words


def takes(folder: Path, unit: str, driver: Driver, mass: float) -> list[Path]:
    """Takes of a driver: free air and an added mass [kg]."""
    out = folder / "takes"
    out.mkdir(exist_ok=True)
    return [
        made_archive.write_take(out, unit, driver, mass=m, hours=m, points=POINTS)
        for m in (0.0, mass)
    ]


def series(folder: Path) -> list[Path]:
    """Saved fits of eight woofers, alike but for their suspension and their glue."""
    folder.mkdir()
    rng = np.random.default_rng(3)
    for k in range(8):
        driver = PLAIN.but(
            Cms=float(np.exp(0.04 * rng.standard_normal())),
            Mms=float(np.exp(0.01 * rng.standard_normal())),
        )
        document = to_json(fit_of(driver), unit=f"lantern-{k}")
        (folder / f"lantern-{k}.json").write_text(json.dumps(document), encoding="utf-8")
    return sorted(folder.iterdir())


def archive(folder: Path) -> Path:
    """Tables of five units in two states, one of them odd, and a file that nobody can read."""
    for k in range(5):
        unit = made_archive.unit_of(LANTERN, k)
        unit = replace(unit, Cms=1.5 * unit.Cms) if k == 3 else unit
        for state, softer in (("new", 1.0), ("12 h", 1.2)):
            about = (f"unit: lantern-{k}", f"label: {state}")
            path = folder / f"lantern-{k}-{state[:2].strip()}.csv"
            driver = replace(unit, Cms=softer * unit.Cms)
            made_archive.write_table(path, driver, k, comments=about, points=80)
    (folder / f"{'a-very-long-name-' * 6}.csv").write_text("frequency_hz,magnitude_ohm\n1,a\n")
    return folder


def written(folder: Path) -> dict[str, Path]:
    """Name to page.

    Args:
        folder: An empty one.
    """
    pages = {name: folder / f"{name}.html" for name in NAMES}
    fits = folder / "fits"
    fits.mkdir()
    lantern, spark, attic, used = (fits / f"{n}.json" for n in ("lantern", "spark", "attic", "12h"))
    targets = folder / "targets.toml"
    targets.write_text(
        'format = "freeair-targets/1"\n[targets]\nfs = "45Hz ± 10%"\nQts = "0.3 ± 0.05"\n'
        'Re = "5.8ohm ± 10%"\n',
        encoding="utf-8",
    )
    sizes = ("--diameter", "118mm", *AIR)
    both = takes(folder, "Lantern", LANTERN, 7.5e-3)
    freeair("fit", *both, *sizes, "--targets", targets, "--save", lantern,
            "--report", pages["woofer"])  # fmt: skip
    freeair("fit", both[0], "--no-keep", "--report", pages["free-air"])
    freeair("fit", *takes(folder, "Spark", SPARK, 0.2e-3), "--diameter", "30mm", *AIR,
            "--save", spark, "--report", pages["tweeter"])  # fmt: skip
    for unit, path, soft in ((LONG, attic, 0.8), ("Lantern", used, 1.2)):
        document = to_json(fit_of(PLAIN.but(Cms=soft)), unit=unit)
        path.write_text(json.dumps(document), encoding="utf-8")
    freeair("compare", lantern, attic, "--report", pages["differ"])
    freeair("compare", lantern, used, "--targets", targets, "--report", pages["break-in"])
    freeair("box", lantern, "--vented", "--bore", "50mm", "--xmax", "4mm", "--drive", "10W",
            "--board", "18mm", *AIR, "--report", pages["box"])  # fmt: skip
    boxed = folder / "boxed.csv"
    made_archive.write_table(boxed, replace(LANTERN, Cms=LANTERN.Cms / 2.4), points=POINTS)
    freeair("box-check", boxed, "--driver", lantern, "--closed", "--report", pages["built"])
    freeair("filter", "--woofer", lantern, "--tweeter", spark, "--crossover", "2.5kHz",
            "--amplifier-minimum", "4ohm", "--drive", "10W", "--compensate", "woofer",
            "--report", pages["crossover"])  # fmt: skip
    freeair("wind", "--resistance", "5.6ohm", "--former", "20mm", "--former-thickness", "0.1mm",
            "--wire", "0.2mm", "--wire", "AWG32", "--pole", "19.4mm", "--plate", "22.6mm",
            "--gap-height", "6mm", "--power", "10W", "--report", pages["coil"])  # fmt: skip
    good = series(folder / "series")
    limits = folder / "limits.toml"
    freeair("series", "limits", *good, "--save", limits, "--report", pages["limits"])
    freeair("series", "judge", good[0], "--limits", limits, "--report", pages["judged"])
    freeair("series", "summary", *good, "--report", pages["spread"])
    freeair("series", "pairs", *good, "--report", pages["pairs"])
    louder = []
    for volt, softer in ((0.1, 1.0), (0.3, 1.02), (1.0, 1.06)):
        table = folder / f"at-{volt}.csv"
        made_archive.write_table(table, replace(LANTERN, Cms=softer * LANTERN.Cms), points=POINTS)
        louder.append(f"{table}={volt}V")
    freeair("levels", *louder, "--report", pages["levels"])
    where = archive(folder / "archive")
    run(["refit", str(where), "--diameter", "*=118mm"])  # status 1: one is not read
    pages["refit"] = where / "refitted" / "summary.html"
    return pages
