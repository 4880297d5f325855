"""Every command with files, units and labels out of which something would run or steer."""

from __future__ import annotations

import csv
import json
import re
import tomllib
from dataclasses import dataclass
from pathlib import Path

import driver_bench
import pytest
from invoked import Invoke
from made_archive import unit_of, write_table, write_take
from made_fits import Physical, fit_of

from cli.main import COMMANDS, run
from fit.results import store

EVIL = '\x1b[2J\x9b31m\x1b]0;t\x07\u202e=HYPERLINK("x")<script>x()</script>\n@SUM(1)' + 300 * "a"
STEERING = re.compile("[\x00-\x08\x0b-\x1f\x7f-\x9f\u202a-\u202e\u2066-\u2069]")
NEVER = {"polarity reference", "polarity cell"}
"""The one listens as `polarity press` does, the other takes no name."""

# Exit status and words. Whatever is missing, or is no kind known, is complained about by its name.
LINES = """
0 fit {table} --unit {evil} --save a.json --report a.html
0 fit {table} --unit {evil} --json --report a.md
2 fit {missing} --targets {missing}
0 show {fit}
0 show {take}
0 compare {fit} {fit2} --report b.html
0 compare {fit} {fit2} --json --report b.md
0 export {fit} --csv c.csv --spice c.cir --touchstone c.s1p
0 export {take} --csv d.csv
0 box {fit} --qtc 0.9 --save e.json --report e.html
1 box-check {table} --driver {fit}
0 filter --woofer {fit} --tweeter {fit2} --crossover 3kHz --report f.html
0 part resistor {part} --save g.json
1 part resistor {table}
0 series limits {fits} --save {file}4.toml --report h.html
0 series judge {fit} --limits {limits} --report i.html
0 series summary {fits} --limits {limits} --report j.html
0 series pairs {fits} --report k.html
0 levels {table}=0.1V {table2}=0.2V
2 polarity press {evil} --rig {missing}
0 take {evil} --rig {rig} --yes --out takes --quiet
1 take {evil} --rig {rig2} --yes --out takes
1 watch --rig {rig2} --yes --seconds 1
2 import {missing} --rig {rig} --unit {evil}
0 rig new {file}3.toml --series-resistor 10ohm --device {evil}
0 rig wiring {rig2}
1 rig level {rig2} --yes
1 rig calibrate {rig2} --yes
1 rig check {rig2} --resistor 8.2ohm --yes
2 rig choose --driver {evil} --re 5.6ohm --fs 38Hz
2 rig devices {evil}
2 targets new {missing}/x.toml
2 targets from-parts --fs 45Hz --save {missing}/x.toml
2 wind --wire {evil} --former 20mm
2 guide {evil}
2 demo {evil}
2 open {missing}
0 refit {folder} --out refitted
0 refit {folder} --out refitted --json
2 {evil}
2 fit --{evil}
""".strip().splitlines()


@dataclass(frozen=True)
class Place:
    """A folder of hostile files, and what stands for the names in the lines above."""

    folder: Path
    words: dict[str, list[str]]

    def line(self, text: str) -> list[str]:
        found: list[str] = []
        for word in text.split():
            alone = re.fullmatch(r"\{(\w+)\}", word)
            one = {name: some[0] for name, some in self.words.items()}
            found += self.words[alone[1]] if alone else [word.format(**one)]
        return found


@pytest.fixture(scope="module")
def place(tmp_path_factory: pytest.TempPathFactory) -> Place:
    folder = tmp_path_factory.mktemp("hostile")
    file = re.sub("[/\n]", "", EVIL)[:150]
    for number in range(2):
        about = (f"unit: {EVIL}", f"label: {EVIL}")
        table = folder / "archive" / f"{number}{file}.csv"
        write_table(table, unit_of(driver_bench.WOOFER, number), number, comments=about)
    take = write_take(folder / "archive", file, unit_of(driver_bench.WOOFER, 3), 3, label=EVIL)
    fits = []
    for number in range(6):
        fit = fit_of(Physical().but(Cms=1 + 0.02 * number))
        fits.append(folder / f"{number}{file}.json")
        fits[-1].write_text(json.dumps(store.to_json(fit, unit=f"{number}{EVIL}")))
    rows = "".join(f"{f},8.2,0.01\n" for f in range(20, 20000, 400))
    part = folder / f"r{file}.csv"
    part.write_text("frequency_hz,resistance_ohm,reactance_ohm\n" + rows)
    ran = run(["rig", "new", str(folder / "bench.toml"), "--series-resistor", "10ohm", "--device",
               "simulated", "--woofer", "--sweep-seconds", "0.5"])  # fmt: skip
    assert ran == 0
    rig, rig2 = folder / f"{file}.rig.toml", folder / f"{file}2.rig.toml"
    text = (folder / "bench.toml").read_text()
    rig.write_text(text)
    assert 'device = "simulated"' in text
    device = json.dumps(EVIL, ensure_ascii=True)
    rig2.write_text(text.replace('device = "simulated"', f"device = {device}"))
    limits = folder / f"{file}.limits.toml"
    assert run(["series", "limits", *map(str, fits), "--save", str(limits)]) == 0
    names = {
        "evil": EVIL, "file": file, "missing": f"no{file}", "folder": folder / "archive",
        "limits": limits,
        "table": folder / "archive" / f"0{file}.csv", "fit": fits[0], "rig": rig, "take": take,
        "table2": folder / "archive" / f"1{file}.csv", "fit2": fits[1], "rig2": rig2, "part": part,
    }  # fmt: skip
    words = {name: [str(one)] for name, one in names.items()}
    return Place(folder, words | {"fits": [str(fit) for fit in fits]})


@pytest.mark.parametrize(("status", "text"), [(int(line[0]), line[2:]) for line in LINES])
def test_nothing_runs_and_nothing_steers(status, text, place, capsys, monkeypatch):
    monkeypatch.chdir(place.folder)
    before = set(place.folder.rglob("*"))
    ran = Invoke(capsys)(*place.line(text))
    assert ran.status == status, ran.told
    assert "Traceback" not in ran.told and "mistake in freeair" not in ran.told
    assert not STEERING.search(ran.stderr)
    if "--json" in text:
        for line in ran.stdout.splitlines():
            json.loads(line)
    else:
        for line in ran.stdout.split("\n"):
            # A path alone on a line is for scripts: exactly as it is, but on a terminal.
            assert not STEERING.search(line) or Path(line).exists(), line
    for path in set(place.folder.rglob("*")) - before:
        if path.is_file():
            look_into(path)


def look_into(path: Path) -> None:
    """Nothing of the name runs in or steers whatever opens such a file."""
    text = path.read_bytes().decode("utf-8", "replace")
    match path.suffix:
        case ".json":
            json.loads(text)
            return
        case ".toml":
            tomllib.loads(text)
        case ".html" | ".md" | ".svg":
            assert "<script>x()" not in text
        case ".csv":
            for row in csv.reader(text.splitlines()):
                assert not [cell for cell in row if re.match("\\s*[=@]", cell)]
        case ".wav" | ".lines" | ".pdf" | ".png":
            return
    assert not STEERING.search(text), STEERING.search(text)


def test_every_command_is_among_them():
    def names(commands, path=()):
        for name, (home, *_) in commands.items():
            if isinstance(home, dict):
                yield from names(home, (*path, name))
            else:
                yield " ".join((*path, name))

    tried = {" ".join(line.split()[1:n]) for line in LINES for n in (2, 3)}
    assert set(names(COMMANDS)) - tried == NEVER
