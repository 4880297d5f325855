"""Whatever a command is started in or with: files lying around, streams, home, locale, folder."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path

import driver_bench
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
    "rig new": ("{n}.toml", "rig new {n}.toml --series-resistor 10ohm"),
    "rig wiring": ("", "rig wiring bench.toml"),
    "rig devices": ("", "rig devices --json"),
    "rig choose": ("", "rig choose --driver woofer --re 5.6ohm --fs 38Hz"),
    "rig level": ("", "rig level bench.toml --yes"),
    "rig check": ("", "rig check bench.toml --resistor 8.2ohm --yes"),
    "rig calibrate": ("", "rig calibrate bench.toml --yes"),
    "take": ("takes/u{n}_*/capture.wav", "take u{n} --rig bench.toml"),
    "import": (
        "takes/u{n}_*/capture.wav",
        "import {take}/capture.wav --rig bench.toml --unit u{n}",
    ),
    "fit": ("{n}.html", "fit u0.csv --save {n}.json --report {n}.html"),
    "fit --json": ("{n}.json", "fit u0.csv --json --save {n}.json"),
    "show": ("", "show {fit}"),
    "compare": ("{n}.html", "compare {fit} u0.csv --report {n}.html"),
    "export": ("{n}.csv", "export {fit} --csv {n}.csv"),
    "part": ("{n}.json", "part resistor r.csv --save {n}.json"),
    "targets new": ("{n}.toml", "targets new {n}.toml"),
    "wind": ("", "wind --wire 0.2mm --former 20mm --layers 4 --turns 152"),
    "box": ("{n}.json", "box {fit} --qtc 0.9 --save {n}.json"),
    "filter": ("", "filter --woofer {fit} --tweeter {fit} --crossover 3kHz"),
    "series limits": ("{n}.toml", "series limits {units} --save {n}.toml"),
    "series judge": ("", "series judge u0.csv --limits limits.toml"),
    "polarity cell": ("", "polarity cell"),
}
FORMATS = ROOT / "fixtures" / "formats"


@pytest.fixture(scope="module")
def place(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A simulated bench, tables of five units, and their limits."""
    from made_archive import unit_of
    from program import succeed

    folder = tmp_path_factory.mktemp("place")
    simulated = ("--device", "simulated", "--sweep-seconds", "0.6", "--woofer")
    succeed("rig", "new", folder / "bench.toml", "--series-resistor", "10ohm", *simulated)
    succeed("take", "lark", "--rig", folder / "bench.toml", "--out", folder / "first")
    for number in range(5):
        write_table(folder / f"u{number}.csv", unit_of(driver_bench.WOOFER, number), number)
    succeed("series", "limits", *sorted(folder.glob("u*.csv")), "--save", folder / "limits.toml")
    rows = "".join(f"{f},8.2,0.01\n" for f in range(20, 20000, 400))
    (folder / "r.csv").write_text("frequency_hz,resistance_ohm,reactance_ohm\n" + rows)
    return folder


@pytest.fixture(scope="module")
def runs(place: Path) -> dict[tuple[str, str], tuple[int, str, int]]:
    """Status, words where streams are open, and number of every command with either pair."""
    (take,) = (place / "first").iterdir()
    cases, keys = [], []
    units = " ".join(f"u{one}.csv" for one in range(5))
    for name, (_, line) in COMMANDS.items():
        for way, streams in WAYS.items():
            number = len(cases)
            words = line.format(n=number, take=take, fit=FORMATS / "fit.json", units=units)
            cases.append([words.split(), *streams, str(place / f"said-{number}")])
            keys.append((name, way))
    done = subprocess.run(
        [sys.executable, ROOT / "tests/support/running/many_runs.py"],
        input=json.dumps(cases), cwd=place, env={**os.environ, "PYTHONPATH": str(ROOT)},
        capture_output=True, text=True, timeout=300, check=True,
    )  # fmt: skip
    assert done.stderr == ""
    statuses = json.loads(done.stdout)
    return {
        key: (status, (place / f"said-{number}").read_text(), number)
        for number, (key, status) in enumerate(zip(keys, statuses, strict=True))
    }


WAYS = {"stdout full": ("full", "open"), "both closed": ("closed", "closed")}
"""The refit is tried with all five pairs, see test_hostile_archive.py."""


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="no /dev/full")
@pytest.mark.parametrize("way", WAYS)
@pytest.mark.parametrize("name", COMMANDS)
def test_streams_that_take_nothing(name, way, runs, place):
    """The work is done and kept; status 0 only where all was said that was asked for."""
    status, said, number = runs[name, way]
    assert status == (2 if way == "stdout full" else 0), said
    assert "Traceback" not in said and "mistake" not in said and "Exception" not in said
    if way == "stdout full":
        assert "No space left" in said
    made = COMMANDS[name][0]
    assert not made or list(place.glob(made.format(n=number)))


def test_no_home_no_locale_no_terminal_and_a_folder_that_is_gone(tmp_path):
    """With nothing in the environment and the current folder removed, whole paths still work."""
    table, page = tmp_path / "lantern.csv", tmp_path / "page.html"
    gone = tmp_path / "gone"
    gone.mkdir()
    write_table(table, driver_bench.WOOFER)
    code = "import os, sys; os.rmdir(os.getcwd()); from cli.main import main; sys.exit(main())"
    for words, status in (
        (["fit", table, "--report", page], 0),
        (["rig", "new", "bench.toml", "--series-resistor", "10ohm"], 2),
    ):
        gone.mkdir(exist_ok=True)
        done = subprocess.run(
            [sys.executable, "-c", code, *map(str, words)],
            cwd=gone, env={"PYTHONPATH": str(ROOT)}, stdin=subprocess.DEVNULL,
            capture_output=True, text=True, encoding="utf-8", timeout=120, check=False,
        )  # fmt: skip
        assert done.returncode == status, done.stderr
        assert "Traceback" not in done.stderr and "mistake" not in done.stderr
    assert "does not exist" in done.stderr
    assert page.read_bytes().rstrip().endswith(b"</html>")
