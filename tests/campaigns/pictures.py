"""Pictures of every page, written or in the window, to be looked at: widths, light, dark, print.

    python tests/campaigns/pictures.py FOLDER [PAGE ...]

makes benches, takes and fits in temporary folders with the simulated bench, then writes one PNG
a page, width and light into FOLDER, and for a page that a command writes its print too.
"""

from __future__ import annotations

import subprocess
import sys
import tempfile
import time
from pathlib import Path
from urllib.parse import quote

HERE = Path(__file__).resolve().parents[1]
sys.path[:0] = [str(HERE.parent), str(HERE / "support"), str(HERE / "support" / "running")]

from browser import Browser  # noqa: E402
from every_page import written  # noqa: E402
from program import freeair, succeed  # noqa: E402
from window_client import Client, opened  # noqa: E402

from meas.bench import rig_file  # noqa: E402

WIDTHS = (390, 900, 1400)


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
    rig_file.write_new(loud, bench.model_copy(update={"simulated": hot, "calibration": None}))
    made = sorted(out.iterdir())
    freeair("take", "Spark 2", "--rig", loud, "--yes", "--out", out, "--quiet")
    refused = next(one for one in sorted(out.iterdir()) if one not in made)
    good = next(one for one in made if "free-air" in one.name)

    def below(path: Path) -> str:
        return quote(path.relative_to(folder).as_posix())

    return {
        "shelf": "/", "bench": "/bench?rig=bench.toml", "take": "/take",
        "good-take": f"/take?of={below(good)}", "refused-take": f"/take?of={below(refused)}",
        "driver": "/driver?unit=Lantern%201", "what-if": "/what-if", "box": "/box",
        "parts": "/parts", "polarity": "/polarity", "series": "/series",
        "fault": "/take?of=../away",
    }  # fmt: skip


def of_written_pages(out: Path, only: tuple[str, ...]) -> None:
    """Pages that commands write, and their prints."""
    with tempfile.TemporaryDirectory() as name, Browser() as browser:
        for page, path in written(Path(name)).items():
            if only and page not in only:
                continue
            for width in (WIDTHS[0], WIDTHS[-1]):
                for dark in (False, True):
                    browser.open(path, size=(width, 900), dark=dark)
                    browser.picture(out / f"{page}-{width}-{'dark' if dark else 'light'}.png")
            browser.open(path)
            pdf = out / f"{page}.pdf"
            pdf.write_bytes(browser.printed())
            words = ["pdftoppm", "-r", "60", "-png", str(pdf), str(out / f"{page}-print")]
            subprocess.run(words, check=True)


def of_window(out: Path, only: tuple[str, ...]) -> None:
    """Pages of the window."""
    with tempfile.TemporaryDirectory() as name, Browser() as browser:
        folder = Path(name) / "lantern"
        folder.mkdir()
        pages = furnished(folder)
        with opened(folder) as (address, _):
            browser.visit(address)
            root = address.split("/?")[0]
            client = Client(address)
            for page, path in pages.items():
                if only and page not in only:
                    continue
                for width in WIDTHS:
                    for dark in (False, True):
                        browser.visit(root + path, size=(width, 900), dark=dark)
                        time.sleep(0.6)
                        browser.picture(out / f"{page}-{width}-{'dark' if dark else 'light'}.png")
            if not only or "growing" in only:
                browser.visit(root + "/take", size=(1400, 900))
                client.do("take", UNIT="Lantern 1", rig="bench.toml")
                time.sleep(4.5)
                browser.picture(out / "growing-1400-light.png")
                client.post("/stop", {})
                client.finished()


if __name__ == "__main__":
    folder, named = Path(sys.argv[1]), tuple(sys.argv[2:])
    folder.mkdir(parents=True, exist_ok=True)
    of_written_pages(folder, named)
    of_window(folder, named)
