"""Whatever a command is started in or with: files lying around, streams, home, locale, folder."""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest
from made_archive import write_table
from made_fits import Physical, fit_of
from program import ROOT, begun

from fit.results import store

HOSTILE = "text.usetex: True\nfont.family: no such font\nsvg.fonttype: path\nfigure.dpi: 5000\n"


def _files(folder: Path) -> Path:
    folder.mkdir()
    for name, compliance in (("before", 1.0), ("after", 1.1)):
        fit = fit_of(Physical().but(Cms=compliance))
        (folder / f"{name}.json").write_text(json.dumps(store.to_json(fit, unit="lantern")))
    import driver_bench

    write_table(folder / "archive" / "lantern-1.csv", driver_bench.WOOFER)
    return folder


WORDS = [
    (["compare", "before.json", "after.json", "--report", "r.html"], "r.html"),
    (["compare", "before.json", "after.json", "--report", "r.pdf"], "r.pdf"),
    (["compare", "before.json", "after.json", "--report", "r.png"], "r.png"),
    (["fit", "archive/lantern-1.csv", "--report", "f.html"], "f.html"),
    (["refit", "archive"], "archive/refitted/summary.html"),
]


@pytest.mark.parametrize(("words", "made"), WORDS, ids=lambda value: str(value)[:40])
def test_settings_of_pictures_are_fixed(words, made, tmp_path):
    pages = []
    for kind in ("none", "hostile", "pipe"):
        folder = _files(tmp_path / kind)
        if kind == "hostile":
            (folder / "matplotlibrc").write_text(HOSTILE)
        elif kind == "pipe":
            if not hasattr(os, "mkfifo"):
                continue
            os.mkfifo(folder / "matplotlibrc")
        with begun(*words, cwd=folder) as process:
            _, said = process.communicate(timeout=60)
            assert process.returncode == 0, said
        pages.append(len((folder / made).read_bytes()))
    # Pages name the minute; pictures in another type would differ by far more.
    assert max(pages) - min(pages) < 50, pages


# What each leaves behind; {n} tells runs apart.
COMMANDS = {
    "rig new": ("made/{n}.toml", "rig new made/{n}.toml --series-resistor 10ohm"),
    "rig wiring": ("", "rig wiring bench.toml"),
    "rig devices": ("", "rig devices --json"),
    "rig choose": ("", "rig choose --driver woofer --re 5.6ohm --fs 38Hz"),
    "rig level": ("", "rig level bench.toml --yes"),
    "rig check": ("", "rig check bench.toml --resistor 8.2ohm --yes"),
    "rig calibrate": ("", "rig calibrate made/cal{n}.toml --yes"),
    "take": ("takes/u{n}_*/capture.wav", "take u{n} --rig bench.toml"),
    "take --json": ("takes/u{n}_*/capture.wav", "take u{n} --rig bench.toml --json"),
    "import": ("takes/u{n}_*/capture.wav", "import {wav} --rig bench.toml --unit u{n}"),
    "fit": ("made/{n}.html", "fit {take} --save made/{n}.json --report made/{n}.html"),
    "fit --json": ("made/{n}.json", "fit {take} --json --save made/{n}.json"),
    "show": ("", "show given/one.json"),
    "compare": ("made/{n}.html", "compare given/one.json given/two.json --report made/{n}.html"),
    "export": ("made/{n}.csv", "export given/one.json --csv made/{n}.csv"),
    "part": ("made/{n}.json", "part resistor units/r.csv --save made/{n}.json"),
    "targets new": ("made/{n}.toml", "targets new made/{n}.toml"),
    "wind": ("", "wind --wire 0.2mm --former 20mm --layers 4 --turns 152"),
    "box": ("", "box {formats}/fit.json --qtc 0.9"),
    "box-check": ("", "box-check units/u0.csv"),
    "filter": ("", "filter --woofer given/one.json --tweeter given/two.json --crossover 3kHz"),
    "series limits": ("made/{n}.toml", "series limits {units} --save made/{n}.toml"),
    "series summary": ("", "series summary {units}"),
    "series pairs": ("", "series pairs {units}"),
    "polarity cell": ("", "polarity cell"),
    "refit": ("made/{n}/summary.html", "refit units --out made/{n} --workers 1"),
}
STREAMS = {
    "stdout closed": ("closed", "open"),
    "stderr closed": ("open", "closed"),
    "both closed": ("closed", "closed"),
    "stdout full": ("full", "open"),
    "stderr full": ("open", "full"),
}


@pytest.fixture(scope="module")
def place(tmp_path_factory: pytest.TempPathFactory) -> Path:
    from campaign_kills import bench

    folder = tmp_path_factory.mktemp("place")
    bench(folder)
    (folder / "made").mkdir()
    rows = "".join(f"{f},8.2,0.01\n" for f in range(20, 20000, 400))
    (folder / "units" / "r.csv").write_text("frequency_hz,resistance_ohm,reactance_ohm\n" + rows)
    return folder


def _words(line: str, place: Path, number: int) -> list[str]:
    (take,) = (place / "first").iterdir()
    if "cal{n}" in line:
        shutil.copy(place / "fresh", place / "made" / f"cal{number}.toml")
    units = " ".join(f"units/u{one}.csv" for one in range(5))
    return line.format(
        n=number,
        take=take,
        wav=take / "capture.wav",
        units=units,
        formats=ROOT / "fixtures/formats",
    ).split()


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="no /dev/full")
@pytest.mark.parametrize("name", COMMANDS)
def test_streams_that_take_nothing(name, place):
    """The work is done and kept; status 0 only where all was said that was asked for."""
    made, line = COMMANDS[name]
    ways = {"open": ("open", "open"), **STREAMS}
    begin = 100 * list(COMMANDS).index(name)
    said = [place / f"said-{begin + number}" for number in range(len(ways))]
    cases = [
        [_words(line, place, begin + number), *way, str(said[number])]
        for number, way in enumerate(ways.values())
    ]
    done = subprocess.run(
        [sys.executable, Path(__file__).parents[1] / "support/running/many_runs.py"],
        input=json.dumps(cases), cwd=place, env={**os.environ, "PYTHONPATH": str(ROOT)},
        capture_output=True, text=True, timeout=120, check=True,
    )  # fmt: skip
    statuses = dict(zip(ways, json.loads(done.stdout), strict=True))
    assert done.stderr == ""
    expected = dict.fromkeys(ways, 0) | {"stdout full": 2}
    assert statuses == expected, said[0].read_text()
    for number in range(len(ways)):
        assert not made or list(place.glob(made.format(n=begin + number)))
        told = said[number].read_text()
        assert "Traceback" not in told and "mistake" not in told and "Exception" not in told, told
