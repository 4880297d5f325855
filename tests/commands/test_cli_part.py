"""``freeair part`` from recording to table: takes, tables, refusals, cautions."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
import soundfile
from invoked import Invoke
from made_signals import divider, filtered, record, up_and_down

from cli.sources import opened
from meas.bench import rig_file
from meas.bench.rig import Rig, Wiring
from meas.curve import ImpedanceCurve
from meas.tables import csv_table, touchstone

RATE = 48000


def s_of(f):
    return 2j * np.pi * np.maximum(f, 1e-3)


PARTS = {
    "coil": lambda f: 0.42 + 1 / (1 / (s_of(f) * 0.83e-3) + 1 / 480.0),
    "cap": lambda f: 0.31 + 1 / (s_of(f) * 4.7e-6),
    "lytic": lambda f: 1.4 + 1 / (s_of(f) * 22e-6),
    "res": lambda f: 8.2 + 0 * f,
    "node": lambda f: 1e12 + 0 * f,
}


def wav(folder: Path, name: str, level: float, seed: int, L: float = 0.83e-3) -> Path:
    part = PARTS[name]
    if name == "coil":
        part = lambda f: 0.42 + 1 / (1 / (s_of(f) * L) + 1 / 480.0)  # noqa: E731  # as in PARTS
    source = up_and_down(seconds=1.0, level=level)
    second = filtered(source, RATE, divider(part, 10.0))
    path = folder / f"{name}-{seed}.wav"
    soundfile.write(path, record(source, second, seed=seed), RATE, subtype="FLOAT")
    return path


@pytest.fixture(scope="module")
def bench(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with takes of parts; made once."""
    from cli.main import run

    folder = tmp_path_factory.mktemp("parts")
    rig_file.write_new(
        folder / "bench.toml", Rig(name="bench", wiring=Wiring(series_resistor_ohm=10.0))
    )
    node = wav(folder, "node", 0.4, 9)
    jobs = [("coil", 0.05, 1, 0.83e-3), ("coil", 0.8, 2, 0.79e-3)]
    jobs += [(name, 0.4, 3, 0.0) for name in ("cap", "lytic", "res")]
    for name, level, seed, L in jobs:
        words = ["--rig", str(folder / "bench.toml"), "--unit", name, "--kind", "part"]
        out = folder / f"out-{name}-{seed}"
        file = str(wav(folder, name, level, seed, L))
        assert run(["import", file, *words, "--calibration", str(node), "--out", str(out)]) == 0
        next(out.iterdir()).rename(folder / f"{name}-{seed}")
    f = np.geomspace(20, 20000, 200)
    curve = ImpedanceCurve(f, PARTS["coil"](f))
    csv_table.write(folder / "coil.csv", curve)
    touchstone.write(folder / "coil.s1p", curve)
    return folder


@pytest.fixture
def invoke(bench: Path, capsys, monkeypatch) -> Invoke:
    monkeypatch.chdir(bench)
    return Invoke(capsys)


@pytest.mark.parametrize(
    ("words", "truth"),
    [
        (["inductor", "coil-1"], {"L": 0.83e-3, "R": 0.42, "Rcore": 480.0}),
        (["capacitor", "cap-3"], {"C": 4.7e-6, "ESR": 0.31}),
        (["capacitor", "lytic-3"], {"C": 22e-6, "ESR": 1.4}),
        (["resistor", "res-3"], {"R": 8.2}),
        (["inductor", "coil.csv"], {"L": 0.83e-3, "R": 0.42, "Rcore": 480.0}),
        (["inductor", "coil.s1p"], {"L": 0.83e-3, "R": 0.42, "Rcore": 480.0}),
    ],
)
def test_json_holds_the_truth(invoke, words, truth):
    ran = invoke("part", *words, "--json")
    assert ran.status == 0, ran.told
    found = json.loads(ran.stdout)
    assert found["format"] == "freeair-part/1"
    assert found["kind"] == words[0]
    for name, value in truth.items():
        estimate = found["parameters"][name]
        low, high = estimate["interval_95"]
        assert low <= value <= high, name
        assert estimate["unit"] in {"H", "F", "ohm"}
        assert estimate["standard_uncertainty"] > 0
    if words[0] == "inductor":
        assert found["parameters"]["Q_1kHz"]["frequency_hz"] == 1000


def test_the_ohms_of_a_table_are_as_good_as_is_said(invoke, bench):
    """All of them 3 % too high: beyond the 1 % of a meter that is assumed, within 4 %."""
    f = np.geomspace(20, 20000, 200)
    csv_table.write(bench / "high.csv", ImpedanceCurve(f, 1.03 * PARTS["coil"](f)))
    for words, holds in (((), False), (("--table-tolerance", "4%"), True)):
        found = json.loads(invoke("part", "inductor", "high.csv", *words, "--json").stdout)
        low, high = found["parameters"]["L"]["interval_95"]
        assert (low <= 0.83e-3 <= high) == holds, words


def test_words_of_an_inductor(invoke):
    ran = invoke("part", "inductor", "coil-1")
    assert "coil: inductor\n0.83" in ran.stdout
    assert "mH; its winding has 0.4" in ran.stdout
    assert "L series, mH" in ran.stdout
    assert "mH" in ran.stdout
    assert "10 Ω resistor" in ran.told
    assert all(len(line) <= 100 for line in ran.stdout.splitlines())


def test_levels_show_saturation(invoke):
    ran = invoke("part", "inductor", "coil-2", "coil-1", "--json")
    assert ran.status == 0, ran.told
    found = json.loads(ran.stdout)
    quiet, loud = found["against_level"]
    assert quiet["level_db"] < loud["level_db"]  # sorted, whatever the order given
    assert loud["change_relative"] == pytest.approx(0.79 / 0.83 - 1, abs=1e-3)
    assert "level-dependent" in {w["code"] for w in found["warnings"]}
    assert "saturates" in invoke("part", "inductor", "coil-2", "coil-1").told


def test_saved_part_reads_back(invoke, tmp_path):
    path = tmp_path / "coil.json"
    assert invoke("part", "inductor", "coil-1", "--save", path).status == 0
    saved = opened.part(path)
    assert (saved.name, saved.kind) == ("coil", "inductor")
    assert saved.values["L"].value == pytest.approx(0.83e-3, rel=1e-3)
    shown = invoke("show", path).stdout.splitlines()
    row = next(line for line in shown if line.startswith("R "))
    measured = invoke("part", "inductor", "coil-1").stdout.splitlines()
    assert row in measured  # one uncertainty for one value


def test_cautions_of_electrolytics(invoke):
    told = invoke("part", "capacitor", "lytic-3").told
    assert "electrolytic" in told
    assert "--back-to-back" in told
    told = invoke("part", "capacitor", "lytic-3", "--back-to-back").told
    assert "back to back" in told
    assert "vent" in told
    assert "Caution" not in invoke("part", "capacitor", "cap-3").told


ROWS = """
part                                    | 2 | freeair part --help
part transistor coil-1                  | 2 | transistor; inductor capacitor resistor
part inductor gone.csv                  | 2 | gone.csv; does not exist
part inductor bench.toml                | 2 | bench.toml
part capacitor coil-1                   | 1 | wrong-kind; freeair part inductor
part resistor cap-3                     | 1 | wrong-kind; freeair part capacitor
part inductor res-3                     | 1 | wrong-kind; freeair part resistor
part capacitor cap-3 lytic-3            | 2 | inductors only
part inductor coil-1 ./coil-1           | 2 | given twice, as coil-1; once
part inductor coil-1 coil.csv           | 0 | bench
part inductor coil-1 --save bench.toml  | 2 | bench.toml; exists already
"""


@pytest.mark.parametrize("row", ROWS.strip().splitlines())
def test_wrong_input(invoke, row):
    command, status, pieces = (cell.strip() for cell in row.split(" | "))
    ran = invoke(*command.split())
    assert ran.status == int(status), ran.told
    assert "Sorry" not in ran.told
    for piece in pieces.split(";"):
        assert piece.strip() in ran.told


def test_refusal_as_json(invoke):
    ran = invoke("part", "capacitor", "coil-1", "--json")
    assert ran.status == 1
    found = json.loads(ran.stdout)
    assert found["refused"] is True
    assert [reason["code"] for reason in found["reasons"]] == ["wrong-kind"]


def test_driver_is_refused_as_part(invoke, tmp_path):
    f = np.geomspace(20, 20000, 200)
    z = 6 + s_of(f) * 0.4e-3 + 40 / (1 + 4j * (f / 50 - 50 / f))
    csv_table.write(tmp_path / "driver.csv", ImpedanceCurve(f, z))
    ran = invoke("part", "inductor", tmp_path / "driver.csv")
    assert ran.status == 1
    assert "resonates" in ran.told
