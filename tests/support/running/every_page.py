"""Every page that the program writes, made by its commands from the simulated bench."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import numpy as np
from every_figure import PLAIN
from made_fits import fit_of
from program import succeed

from fit.results.store import to_json

AIR = ("--air-temperature", "21C", "--air-pressure", "1002hPa")
LONG = "Attic woofer, second try with the paper cone"


def bench(folder: Path, unit: str, *kind: str) -> list[Path]:
    """Takes of a simulated driver: free air and an added mass."""
    rig, out = folder / f"{unit}.toml", folder / "takes"
    words = ("--series-resistor", "10ohm", "--device", "simulated", "--sweep-seconds", "1")
    succeed("rig", "new", rig, *words, *kind)
    succeed("rig", "calibrate", rig, "--yes")
    take = ("take", unit, "--rig", rig, "--yes", "--out", out, "--quiet")
    mass = "7.5g±0.1g" if "--woofer" in kind else "0.2g±0.005g"
    succeed(*take)
    succeed(*take, "--added-mass", mass)
    return sorted(one for one in out.iterdir() if one.name.startswith(unit.replace(" ", "-")[:6]))


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


NAMES = ("fit", "compare", "box", "filter", "coil", "limits", "judge", "summary", "pairs")


def written(folder: Path) -> dict[str, Path]:
    """Name to page.

    Args:
        folder: An empty one.
    """
    pages = {name: folder / f"{name}.html" for name in NAMES}
    takes = bench(folder, "Lantern", "--woofer")
    targets = folder / "targets.toml"
    targets.write_text(
        'format = "freeair-targets/1"\n[targets]\nfs = "45Hz ± 10%"\nQts = "0.3 ± 0.05"\n'
        'Re = "5.8ohm ± 10%"\n',
        encoding="utf-8",
    )
    fits = folder / "fits"
    fits.mkdir()
    lantern = fits / "lantern.json"
    sizes = ("--diameter", "118mm", *AIR)
    succeed("fit", *takes, *sizes, "--targets", targets, "--save", lantern, "--report",
            pages["fit"])  # fmt: skip
    again = fits / "again.json"
    succeed("fit", *bench(folder, LONG, "--woofer"), *sizes, "--save", again)
    succeed("compare", lantern, again, "--report", pages["compare"])
    succeed("box", lantern, "--vented", "--bore", "50mm", "--xmax", "4mm", "--drive", "10W", *AIR,
            "--report", pages["box"])  # fmt: skip
    spark = fits / "spark.json"
    succeed(
        "fit",
        *bench(folder, "Spark", "--simulate", "tweeter"),
        "--diameter",
        "26mm",
        *AIR,
        "--save",
        spark,
    )
    succeed("filter", "--woofer", lantern, "--tweeter", spark, "--crossover", "2.5kHz",
            "--amplifier-minimum", "4ohm", "--drive", "10W", "--compensate", "woofer",
            "--report", pages["filter"])  # fmt: skip
    succeed("wind", "--resistance", "5.6ohm", "--former", "20mm", "--former-thickness", "0.1mm",
            "--wire", "0.2mm", "--wire", "AWG32", "--pole", "19.4mm", "--plate", "22.6mm",
            "--gap-height", "6mm", "--power", "10W", "--report", pages["coil"])  # fmt: skip
    good = series(folder / "series")
    limits = folder / "limits.toml"
    succeed("series", "limits", *good, "--save", limits, "--report", pages["limits"])
    succeed("series", "judge", good[0], "--limits", limits, "--report", pages["judge"])
    for name in ("summary", "pairs"):
        succeed("series", name, *good, "--report", pages[name])
    shutil.copytree(folder / "takes", folder / "archive")
    succeed("refit", folder / "archive", "--diameter", "*=118mm")
    pages["refit"] = next((folder / "archive").rglob("*.html"))
    return {name: path for name, path in pages.items() if path.exists()}
