"""Pictures of every page, written or in the window, to be looked at: widths, light, dark, print.

    python tests/campaigns/pictures.py FOLDER [PAGE ...]

makes benches, takes and fits in temporary folders with the simulated bench, then writes one PNG
a page, width and light into FOLDER, and for a page that a command writes its print too. Pages of
the window are named ``window-shelf`` and so on.
"""

from __future__ import annotations

import shutil
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from urllib.parse import quote

HERE = Path(__file__).resolve().parents[1]
sys.path[:0] = [str(HERE.parent), str(HERE / "support"), str(HERE / "support" / "running")]

from browser import Browser  # noqa: E402
from every_page import NAMES, series, written  # noqa: E402
from program import freeair, succeed  # noqa: E402
from window_client import Client, opened  # noqa: E402

from meas.bench import rig_file  # noqa: E402
from meas.bench.simulated_settings import TWEETER  # noqa: E402

WIDTHS = (390, 800, 1400)


def furnished(folder: Path) -> dict[str, str]:
    """A folder with a woofer and a tweeter, and the addresses of its pages.

    Args:
        folder: Empty.
    """
    rig, out = folder / "bench.toml", folder / "takes"
    words = ("--series-resistor", "10ohm", "--device", "simulated", "--woofer")
    succeed("rig", "new", rig, *words, "--sweep-seconds", "2")
    succeed("rig", "calibrate", rig, "--yes")
    take = ("--rig", rig, "--yes", "--out", out, "--quiet")
    succeed("take", "Lantern 1", *take)
    succeed("take", "Lantern 1", *take, "--added-mass", "7.5g±0.1g")
    targets = folder / "lantern.toml"
    targets.write_text(
        'format = "freeair-targets/1"\n[targets]\nfs = "45Hz ± 10%"\nQts = "0.3 ± 0.05"\n'
        'Re = "5.8ohm ± 10%"\n',
        encoding="utf-8",
    )
    (folder / "fits").mkdir()
    takes = sorted(out.iterdir())
    fit = folder / "fits" / "Lantern-1.json"
    succeed("fit", *takes, "--diameter", "118mm", "--targets", targets, "--save", fit)
    bench = rig_file.read(rig)
    assert bench.simulated is not None
    hot = bench.simulated.model_copy(update={"input_volt_full_scale": 0.1})
    loud = folder / "loud.toml"
    rig_file.write_new(
        loud, bench.model_copy(update={"name": "loud", "simulated": hot, "calibration": None})
    )
    made = sorted(out.iterdir())
    freeair("take", "Spark 2", "--rig", loud, "--yes", "--out", out, "--quiet")
    refused = next(one for one in sorted(out.iterdir()) if one not in made)
    good = next(one for one in made if "free-air" in one.name)

    def below(path: Path) -> str:
        return quote(path.relative_to(folder).as_posix())

    return {
        "shelf": "/", "bench": "/bench?rig=bench.toml", "take": "/take",
        "good-take": f"/take?of={below(good)}", "refused-take": f"/take?of={below(refused)}",
        "driver": "/driver?unit=Lantern%201", "driver-refused": "/driver?unit=Spark%202",
        "what-if": "/what-if", "box": "/box",
        "parts": "/parts", "polarity": "/polarity", "series": "/series",
        "fault": "/take?of=../away",
    }  # fmt: skip


def abundant(folder: Path) -> dict[str, str]:
    """More to look at: another woofer, a series of them, a tweeter, a box, a part, a table.

    Args:
        folder: Empty.
    """
    pages = furnished(folder)
    rig, out = folder / "bench.toml", folder / "takes"
    bench = rig_file.read(rig)
    assert bench.simulated is not None
    take = ("--yes", "--out", out, "--quiet")
    rig_file.update(rig, bench.model_copy(update={"simulated": bench.simulated.model_copy(
        update={"fs_hz": 51.0})}))  # fmt: skip
    for mass in ((), ("--added-mass", "7.5g±0.1g")):
        succeed("take", "Lantern 2", "--rig", rig, *take, *mass)
    ours = sorted(out.glob("Lantern-2*"))
    second = folder / "fits" / "Lantern-2.json"
    succeed("fit", *ours, "--diameter", "118mm", "--save", second)
    rig_file.update(rig, bench)
    dome = bench.simulated.model_copy(update=TWEETER)
    small = folder / "small.toml"
    drive = bench.drive.model_copy(update={"woofer": False})
    other = {"name": "small", "simulated": dome, "drive": drive}
    rig_file.write_new(small, bench.model_copy(update=other))
    succeed("take", "Spark 1", "--rig", small, *take)
    succeed("fit", *out.glob("Spark-1*"), "--save", folder / "fits" / "Spark-1.json")
    succeed("take", "Porch left", "--rig", rig, "--kind", "system", *take)
    succeed("take", "L1 of the porch", "--rig", rig, "--kind", "part", *take)
    (folder / "plans").mkdir()
    words = ("--vented", "--volume", "16L", "--fb", "46Hz", "--bore", "50mm")
    fit = folder / "fits" / "Lantern-1.json"
    succeed("box", fit, *words, "--save", folder / "plans" / "Porch.json")
    succeed(
        "series", "limits", *series(folder / "series"), "--save", folder / "lantern-limits.toml"
    )
    for name in ("stock.toml", "part.json"):
        shutil.copy(HERE.parent / "fixtures" / "formats" / name, folder / name)
    (folder / "tables").mkdir()
    good = next(out.glob("Lantern-2_free-air*")) / "impedance.csv"
    shutil.copy(good, folder / "tables" / "from-a-friend.csv")
    return {**pages, "driver-free-air":
            "/driver?unit=Spark%201", "driver-table": "/driver?unit=from-a-friend"}  # fmt: skip


def of_written_pages(out: Path, only: tuple[str, ...]) -> None:
    """Pages that commands write, and their prints."""
    with tempfile.TemporaryDirectory() as name, Browser() as browser:
        for page, path in written(Path(name)).items():
            if only and page not in only:
                continue
            for width in WIDTHS:
                for dark in (False, True):
                    browser.open(path, size=(width, 900), dark=dark)
                    browser.picture(out / f"{page}-{width}-{'dark' if dark else 'light'}.png")
            browser.open(path)
            pdf = out / f"{page}.pdf"
            pdf.write_bytes(browser.printed())
            words = ["pdftoppm", "-r", "60", "-png", str(pdf), str(out / f"{page}-print")]
            subprocess.run(words, check=True)


def of_window(out: Path, only: tuple[str, ...]) -> None:
    """Pages of the window: with much in the folder, with what commands said, and with nothing."""
    with tempfile.TemporaryDirectory() as name, Browser() as browser:

        def wanted(page: str) -> bool:
            return not only or f"window-{page}" in only

        def picture(page: str, address: str) -> None:
            if not wanted(page):
                return
            for width in WIDTHS:
                for dark in (False, True):
                    browser.visit(address, size=(width, 900), dark=dark)
                    time.sleep(0.8)
                    look = f"{width}-{'dark' if dark else 'light'}"
                    browser.picture(out / f"window-{page}-{look}.png")

        folder = Path(name) / "lantern"
        folder.mkdir()
        pages = abundant(folder)
        with opened(folder) as (address, _):
            browser.visit(address)
            root = address.split("/?")[0]
            client = Client(address)
            for page, path in pages.items():
                picture(page, root + path)
            for page, (action, fields, path) in said_by_commands(folder).items():
                if not wanted(page):
                    continue
                assert client.do(action, **fields).status == 202
                client.finished()
                picture(page, root + path)
            for page, rig in (("growing", "bench.toml"), ("growing-refused", "loud.toml")):
                for width in WIDTHS if wanted(page) else ():
                    browser.visit(root + "/take", size=(width, 900), dark=width == WIDTHS[1])
                    client.do("take", UNIT="Lantern 1", rig=rig)
                    time.sleep(6)
                    browser.picture(out / f"window-{page}-{width}.png")
                    client.post("/stop", {})
                    client.finished()
            if wanted("cautions"):
                for width in WIDTHS:
                    browser.visit(root + "/polarity", size=(width, 900))
                    browser.run("document.querySelector('form').requestSubmit()")
                    time.sleep(0.8)
                    browser.picture(out / f"window-cautions-{width}.png")
        bare = Path(name) / "new"
        bare.mkdir()
        with opened(bare) as (address, _):
            browser.visit(address)
            for page in ("", "bench", "take", "what-if", "box", "parts", "polarity", "series"):
                picture(f"empty-{page or 'shelf'}", f"{address.split('/?')[0]}/{page}")


def said_by_commands(folder: Path) -> dict[str, tuple[str, dict[str, object], str]]:
    """Name of a picture to an action, its form, and the page that shows what it said."""

    def below(pattern: str) -> str:
        return next(iter(folder.glob(pattern))).relative_to(folder).as_posix()

    fits = [f"fits/Lantern-{number}.json" for number in (1, 2)]
    units = [f"series/lantern-{number}.json" for number in range(8)]
    driver = "/driver?unit=Lantern%201"
    return {
        "said-box": ("box-check", {"TAKE": below("takes/Porch*"), "driver": fits[0],
                                   "plan": "plans/Porch.json"}, "/box"),
        "said-part": ("part", {"KIND": "inductor", "TAKE": [below("takes/L1*")]}, "/parts"),
        "said-limits": ("series-judge", {"UNIT": [units[0]], "limits": "lantern-limits.toml"},
                        "/series"),
        "said-spread": ("series-summary", {"UNITS": units}, "/series"),
        "said-press": ("polarity-press", {"UNIT": "Lantern 1", "rig": "bench.toml"}, "/polarity"),
        "said-wrong": ("take", {"UNIT": "x", "rig": "bench.toml", "added_mass": "7,5g"}, "/take"),
        "said-level": ("rig-level", {"RIG": "bench.toml"}, "/bench"),
        "said-check": ("rig-check", {"RIG": "bench.toml", "resistor": "8.2ohm±1%"}, "/bench"),
        "said-compare": ("compare", {"BEFORE": fits[0], "AFTER": fits[1]}, driver),
    }  # fmt: skip


if __name__ == "__main__":
    place, named = Path(sys.argv[1]), tuple(sys.argv[2:])
    place.mkdir(parents=True, exist_ok=True)
    if not named or set(named) & set(NAMES):
        of_written_pages(place, named)
    if not named or set(named) - set(NAMES):
        of_window(place, named)
