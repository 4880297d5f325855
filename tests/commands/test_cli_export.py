"""``freeair export``: what is written reads back elsewhere, and nothing is overwritten."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import skrf
from invoked import Invoke
from made_signals import driver
from ngspice_bench import run_ngspice

from cli.main import run
from meas.curve import ImpedanceCurve, MagnitudeCurve
from meas.errors import UnreadableInput
from meas.tables import any_file, csv_table, touchstone

WOOFER = driver(48, 4.2, 0.46, 5.8, 0.4e-3)
FREQUENCY = np.geomspace(15, 18000, 300)


@pytest.fixture(scope="module")
def bench(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("export")
    csv_table.write(folder / "woofer.csv", ImpedanceCurve(FREQUENCY, WOOFER(FREQUENCY)))
    csv_table.write(folder / "magnitude.csv", MagnitudeCurve(FREQUENCY, np.abs(WOOFER(FREQUENCY))))
    assert run(["fit", str(folder / "woofer.csv"), "--save", str(folder / "fit.json")]) == 0
    rig = str(folder / "bench.toml")
    words = ["--series-resistor", "10ohm", "--device", "simulated", "--woofer"]
    assert run(["rig", "new", rig, *words, "--sweep-seconds", "1"]) == 0
    assert run(["take", "lark", "--rig", rig, "--out", str(folder / "out")]) == 0
    next((folder / "out").iterdir()).rename(folder / "take")
    return folder


@pytest.fixture
def invoke(bench: Path, capsys, monkeypatch) -> Invoke:
    monkeypatch.chdir(bench)
    return Invoke(capsys)


@pytest.mark.parametrize("version", [1, 2])
@pytest.mark.parametrize("source", ["take", "fit.json", "woofer.csv"])
def test_touchstone_is_read_by_a_network_library(invoke, tmp_path, source, version):
    path = tmp_path / "one.s1p"
    words = ("--touchstone", path, "--touchstone-version", str(version))
    ran = invoke("export", source, *words)
    assert ran.status == 0, ran.told
    assert ran.stdout.splitlines() == [str(path)]
    seen = skrf.Network(str(path))
    own = touchstone.read(path)
    # Through S parameters and back in double precision.
    assert seen.z[:, 0, 0] == pytest.approx(own.impedance_ohm, rel=1e-9)
    assert seen.f == pytest.approx(own.frequency_hz)
    if source == "woofer.csv":
        assert own.impedance_ohm == pytest.approx(WOOFER(FREQUENCY), rel=1e-12)
    if source == "fit.json":
        assert own.impedance_ohm == pytest.approx(WOOFER(FREQUENCY), rel=1e-4)


@pytest.mark.ngspice
def test_subcircuit_and_touchstone_of_a_fit_are_one_impedance(invoke, tmp_path):
    circuit, curve = tmp_path / "lark.cir", tmp_path / "lark.s1p"
    ran = invoke("export", "fit.json", "--spice", circuit, "--touchstone", curve)
    assert ran.status == 0, ran.told
    own = touchstone.read(curve)
    text = circuit.read_text()
    name = next(line for line in text.splitlines() if line.startswith(".subckt")).split()[1]
    lines = [*text.splitlines(), "I1 0 in AC 1", f"X1 in 0 {name}"]
    count, ends = own.frequency_hz.size, own.frequency_hz[[0, -1]].tolist()
    decades = np.log10(ends[1] / ends[0])
    per_decade = (count - 1) / decades
    # ngspice steps by whole points a decade: meet its frequencies by the model itself.
    vectors = run_ngspice(
        [*lines, f".ac dec {round(per_decade)} {ends[0]!r} {ends[1]!r}"], tmp_path
    )
    f, z = vectors["frequency"].real, vectors["v(in)"]
    from cli.sources import opened
    from fit.crossover.load import fitted_impedance

    _, fitted = opened.fit(Path("fit.json"))
    values = {symbol: estimate.value for symbol, estimate in fitted.parameters.items()}
    assert np.max(np.abs(z / fitted_impedance(f, values, fitted.model) - 1)) < 1e-6
    again = fitted_impedance(own.frequency_hz, values, fitted.model)
    assert own.impedance_ohm == pytest.approx(again, rel=1e-12)


def test_table_of_a_take_reads_back(invoke, tmp_path):
    path = tmp_path / "take.csv"
    assert invoke("export", "take", "--csv", path).status == 0
    mine, theirs = any_file.read(path), csv_table.read(Path("take/impedance.csv"))
    assert np.array_equal(mine.impedance_ohm, theirs.impedance_ohm)


def test_touchstone_is_taken_wherever_a_table_is(invoke, tmp_path):
    path = tmp_path / "woofer.s1p"
    assert invoke("export", "woofer.csv", "--touchstone", path).status == 0
    from_table = invoke("fit", "woofer.csv", "--unit", "x", "--json").stdout
    from_touchstone = invoke("fit", path, "--unit", "x", "--json").stdout
    assert from_table.replace("woofer.csv", "") == from_touchstone.replace(str(path), "").replace(
        path.name, ""
    )
    with pytest.raises(UnreadableInput, match="2 ports"):
        any_file.read(tmp_path / "woofer.s2p")


ROWS = """
export fit.json                                 | 2 | no format; --csv FILE
export fit.json --csv woofer.csv                | 2 | woofer.csv; exists already
export fit.json --touchstone x.txt              | 2 | .s1p
export fit.json --touchstone x.s1p --touchstone-version 3 | 2 | --touchstone-version; 1 or 2
export fit.json --csv a.s1p --touchstone a.s1p  | 2 | one file
export take --spice x.cir                       | 2 | needs a fit; freeair fit
export woofer.csv --spice x.cir                 | 2 | needs a fit
export magnitude.csv --touchstone x.s1p         | 2 | no phase
export gone.s1p --csv x.csv                     | 2 | gone.s1p; does not exist
export bench.toml --touchstone x.s1p            | 2 | bench.toml
export fit.json --csv x.csv --spice woofer.csv  | 2 | woofer.csv; exists already
"""


@pytest.mark.parametrize("row", ROWS.strip().splitlines())
def test_wrong_input(invoke, row, bench):
    before = {path.name: path.stat().st_mtime_ns for path in bench.iterdir()}
    command, status, pieces = (cell.strip() for cell in row.split(" | "))
    ran = invoke(*command.split())
    assert ran.status == int(status), ran.told
    assert "Sorry" not in ran.told
    for piece in pieces.split(";"):
        assert piece.strip() in ran.told
    assert {path.name: path.stat().st_mtime_ns for path in bench.iterdir()} == before


def test_bare_columns_go_out_and_come_in(invoke, tmp_path):
    out = tmp_path / "woofer.txt"
    assert invoke("export", "woofer.csv", "--columns", out).status == 0
    ran = invoke("fit", out, "--all", "--no-keep")
    assert ran.status == 0, ran.told
    assert "woofer.txt has no header: its columns are taken as Hz, ohm, degrees" in ran.told
    assert invoke("export", "magnitude.csv", "--columns", tmp_path / "two.txt").status == 0
    two = csv_table.read(tmp_path / "two.txt")
    assert isinstance(two, MagnitudeCurve) and two.frequency_hz.size == FREQUENCY.size
    kept = csv_table.read(out)
    assert kept.impedance_ohm == pytest.approx(WOOFER(FREQUENCY), rel=1e-12)


@pytest.mark.parametrize("command", ["fit {} --no-keep", "export {} --csv new.csv"])
def test_bare_resistance_and_reactance_are_not_taken_for_degrees(invoke, tmp_path, command):
    """Of a driver: the phase that the first column asks for is not the second one."""
    z = WOOFER(FREQUENCY)
    rows = zip(FREQUENCY.tolist(), z.real.tolist(), z.imag.tolist(), strict=True)
    file = tmp_path / "parts.txt"
    file.write_text("".join(f"{f} {r} {x}\n" for f, r, x in rows), "utf-8")
    ran = invoke(*command.format(file).split())
    assert ran.status == 1, ran.told
