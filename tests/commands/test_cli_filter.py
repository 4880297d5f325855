"""``freeair filter``: network files, parts at hand, pictures, SPICE, a finished section."""

from __future__ import annotations

import json
import math
import tomllib
from pathlib import Path

import numpy as np
import pytest
import soundfile
from invoked import Invoke
from made_signals import driver, filtered, record, up_and_down
from ngspice_bench import run_ngspice

from cli.main import run
from meas.bench import rig_file
from meas.bench.rig import Rig, Wiring
from meas.curve import ImpedanceCurve, MagnitudeCurve
from meas.tables import csv_table, touchstone

RATE = 48000
WOOFER = driver(48, 4.2, 0.46, 5.8, 0.4e-3)
TWEETER = driver(900, 2.0, 1.2, 4.8, 0.05e-3)

NETWORK = """\
format = "freeair-network/1"

[[woofer]]
place = "series"
inductor = "0.82mH ± 2%"
series_resistance = "0.4ohm"
core_resistance = "900ohm"

[[woofer]]
place = "shunt"
capacitor = "12uF ± 5%"
resistor = "1R5 ± 5%"
power = "2W"

[[tweeter]]
place = "series"
capacitor = "6.8uF ± 5%"
series_resistance = "20mohm"

[[tweeter]]
place = "shunt"
part = "coil.json"
"""

STOCK = """\
format = "freeair-stock/1"
capacitors = ["4.7uF", "3.3uF", "10uF", "2.2uF"]
polarised_capacitors = ["4.7uF", "4.7uF", "100uF"]
inductors = ["0.47mH", "0.33mH"]
resistors = ["1R5", "3.3ohm"]
"""


def s_of(f):
    return 2j * np.pi * np.maximum(f, 1e-3)


def section(f):
    """The tweeter's branch of NETWORK as two-port: 6.8 uF, then 0.33 mH with 0.3 ohm across."""
    load = 1 / (1 / (0.3 + s_of(f) * 0.33e-3) + 1 / TWEETER(f))
    return load / (load + 0.02 + 1 / (s_of(f) * 6.8e-6))


@pytest.fixture(scope="module")
def bench(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("filter")
    f = np.geomspace(20, 20000, 400)
    csv_table.write(folder / "woofer.csv", ImpedanceCurve(f, WOOFER(f)))
    touchstone.write(folder / "tweeter.s1p", ImpedanceCurve(f, TWEETER(f)))
    csv_table.write(folder / "magnitude.csv", MagnitudeCurve(f, np.abs(WOOFER(f))))
    csv_table.write(folder / "coil.csv", ImpedanceCurve(f, 0.3 + s_of(f) * 0.33e-3))
    for name in ("woofer.csv", "tweeter.s1p"):
        saved = folder / Path(name).with_suffix(".json").name
        assert run(["fit", str(folder / name), "--save", str(saved)]) == 0
    words = ["part", "inductor", str(folder / "coil.csv"), "--save", str(folder / "coil.json")]
    assert run(words) == 0
    (folder / "net.toml").write_text(NETWORK, encoding="utf-8")
    (folder / "stock.toml").write_text(STOCK, encoding="utf-8")
    source = up_and_down(seconds=1.0, level=0.4)
    for name, gain, noise_seed in (("section", section, 1), ("node", lambda f: 1 + 0 * f, 2)):
        inputs = record(source, filtered(source, RATE, gain), seed=noise_seed)
        soundfile.write(folder / f"{name}.wav", inputs, RATE, subtype="FLOAT")
    rig = Rig(name="bench", wiring=Wiring(series_resistor_ohm=10.0))
    rig_file.write_new(folder / "bench.toml", rig)
    words = ["import", str(folder / "section.wav"), "--rig", str(folder / "bench.toml")]
    words += ["--unit", "section", "--kind", "part", "--out", str(folder / "out")]
    run([*words, "--calibration", str(folder / "node.wav")])
    next((folder / "out").iterdir()).rename(folder / "take-section")
    return folder


@pytest.fixture
def invoke(bench: Path, capsys, monkeypatch) -> Invoke:
    monkeypatch.chdir(bench)
    return Invoke(capsys)


BOTH = ("--woofer", "woofer.csv", "--tweeter", "tweeter.s1p")


def found(invoke: Invoke, *words: str | Path) -> dict:
    ran = invoke("filter", *words, "--json")
    assert ran.status == 0, ran.told
    return json.loads(ran.stdout)


def test_a_network_file_is_solved_into_the_measured_drivers(invoke):
    """Every level against Kirchhoff's laws written out here."""
    got = found(invoke, "net.toml", *BOTH)
    f = np.array(got["frequency_hz"])
    s = 2j * np.pi * f
    inductor = 0.4 + 1 / (1 / (s * 0.82e-3) + 1 / 900)
    shunt = 1.5 + 1 / (s * 12e-6)
    below = 1 / (1 / shunt + 1 / WOOFER(f))
    low = below / (below + inductor)
    high = section(f)
    for branch, expected in zip(got["branches"], (low, high), strict=True):
        level = 20 * np.log10(np.abs(expected))
        # Between the 40 points to the octave of the tables: 1.3e-4 of |Z| is 1e-3 dB.
        assert np.array(branch["level_db"]) == pytest.approx(level, abs=2e-3)
    top = below + inductor
    bottom = 0.02 + 1 / (s * 6.8e-6) + 1 / (1 / (0.3 + s * 0.33e-3) + 1 / TWEETER(f))
    least = np.min(np.abs(1 / (1 / top + 1 / bottom)))
    assert got["load"]["minimum_ohm"]["value"] == pytest.approx(least, rel=1e-3)
    crossed = got["crossings"][0]["frequency_hz"]
    k = np.flatnonzero(np.diff(np.sign(np.abs(low) - np.abs(high))))
    assert f[k[0]] <= crossed["value"] <= f[k[0] + 1]
    assert crossed["standard_uncertainty"] > 0


def test_measured_part_brings_its_uncertainty(invoke):
    got = found(invoke, "net.toml", *BOTH)
    coil = got["branches"][1]["parts"][1]
    assert coil["kind"] == "inductor"
    assert coil["value"] == pytest.approx(0.33e-3, rel=1e-3)
    assert coil["series_resistance_ohm"] == pytest.approx(0.3, abs=0.02)
    assert 0 < coil["standard_uncertainty"] < 0.01 * coil["value"]


def test_drive_and_amplifier(invoke):
    got = found(
        invoke,
        "net.toml",
        *BOTH,
        "--drive",
        "40W",
        "--rated",
        "4ohm",
        "--amplifier-minimum",
        "8ohm",
    )
    assert got["drive_volt_rms"] == pytest.approx(math.sqrt(160))
    assert got["load"]["verdict"] == "outside"
    codes = {finding["code"] for finding in got["findings"]}
    assert {"low-load", "overloaded-part"} <= codes
    ran = invoke("filter", "net.toml", *BOTH, "--drive", "10W", "--amplifier-minimum", "8ohm")
    assert "The load falls below" in ran.stderr
    assert "Parts that get hot" in ran.stderr
    assert "saturate" in ran.stderr
    assert "outside" in ran.stdout
    assert all(len(line) <= 100 for line in ran.stdout.splitlines())


def test_designed_network_saved_and_read_back_is_the_same(invoke, tmp_path):
    file = tmp_path / "two-way.toml"
    words = ["--crossover", "3kHz", "--order", "2", "--attenuate", "3dB", "--compensate", "woofer"]
    designed = found(invoke, *BOTH, *words, "--save-network", file)
    text = file.read_text(encoding="utf-8")
    assert set(tomllib.loads(text)) == {"format", "woofer", "tweeter"}
    again = found(invoke, file, *BOTH)
    for one, two in zip(designed["branches"], again["branches"], strict=True):
        assert one["level_db"] == pytest.approx(two["level_db"], abs=1e-9)
    assert "half-turn" in {finding["code"] for finding in designed["findings"]}


def test_parts_at_hand(invoke):
    got = found(invoke, "net.toml", *BOTH, "--at-hand", "stock.toml", "--at-hand", "coil.json")
    near = {(one["branch"], one["part"]): one["combinations"] for one in got["at_hand"]}
    # 10 uF and 2.2 uF in parallel are 12.2 uF; 2.35 uF, two polarised ones, make 12.35 uF.
    assert near["woofer", "C1"][0]["value"] == pytest.approx(12.0e-6, rel=0.02)
    assert near["woofer", "R1"][0]["value"] == pytest.approx(1.5)
    assert near["tweeter", "L1"][0]["value"] == pytest.approx(0.33e-3, rel=1e-3)
    ran = invoke("filter", "net.toml", *BOTH, "--at-hand", "stock.toml")
    assert "Polarised capacitors back to back" in ran.stderr
    assert "Nearest from the parts at hand" in ran.stdout


@pytest.mark.parametrize("suffix", [".png", ".svg"])
def test_picture(invoke, tmp_path, suffix):
    path = tmp_path / f"two-way{suffix}"
    ran = invoke("filter", "net.toml", *BOTH, "--amplifier-minimum", "4ohm", "--picture", path)
    assert ran.status == 0, ran.told
    content = path.read_bytes()
    if suffix == ".png":
        assert content.startswith(b"\x89PNG")
        return
    text = content.decode()
    for words in ("frequency, Hz", "|Z|, Ω", "dB re the amplifier", "woofer", "4 Ω at least"):
        assert words in text


@pytest.mark.ngspice
def test_spice_netlist_of_fits(invoke, tmp_path):
    path = tmp_path / "two-way.cir"
    fits = ("--woofer", "woofer.json", "--tweeter", "tweeter.json")
    got = found(invoke, "net.toml", *fits, "--spice", path)
    vectors = run_ngspice([*path.read_text().splitlines(), ".ac dec 20 20 20000"], tmp_path)
    f = vectors["frequency"].real
    for branch in got["branches"]:
        known = branch["transfer"]
        # Between 48 points to the octave by cubic splines: far below 1e-6 away from peaks.
        grid = np.log(got["frequency_hz"])
        from scipy.interpolate import CubicSpline

        H = CubicSpline(grid, np.array(known["real"]) + 1j * np.array(known["imag"]))(np.log(f))
        seen = vectors[f"v({branch['name']}_out)"]
        assert np.max(np.abs(H - seen)) < 1e-4
    ran = invoke("filter", "net.toml", *BOTH, "--spice", tmp_path / "other.cir")
    assert ran.status == 2
    assert "needs a fit" in ran.told


@pytest.mark.parametrize("source", ["take-section", "section.wav"])
def test_finished_section_agrees_with_its_prediction(invoke, source):
    words = ("net.toml", *BOTH, "--measured-transfer", source, "--branch", "tweeter")
    got = found(invoke, *words)["measured_transfer"]
    # Same circuit, another way there: noise, float32 and the splines of the tables.
    assert got["difference_rms_db"] < 0.02
    ran = invoke("filter", *words)
    assert "The tweeter section as measured" in ran.stdout


def test_a_wrong_part_in_the_finished_section_shows(invoke, tmp_path):
    changed = tmp_path / "other.toml"
    text = NETWORK.replace("6.8uF", "4.7uF").replace("coil.json", str(Path("coil.json").resolve()))
    changed.write_text(text, encoding="utf-8")
    words = (changed, *BOTH, "--measured-transfer", "section.wav", "--branch", "tweeter")
    got = found(invoke, *words)
    assert got["measured_transfer"]["difference_rms_db"] > 0.5
    assert "section-differs" in {finding["code"] for finding in got["findings"]}


ROWS = """
filter                                              | 2 | --crossover 3kHz
filter --crossover 3kHz                             | 2 | no driver is given; --woofer FILE
filter --woofer woofer.csv --crossover 3            | 2 | --crossover; has no unit
filter --woofer woofer.csv --crossover 30kHz        | 2 | outside the woofer's curve
filter --woofer woofer.csv --crossover 3kHz --order 3 | 2 | --order; network file
filter --woofer woofer.csv --crossover 3kHz --q 9   | 2 | --q
filter --woofer woofer.csv --crossover 3kHz --series E5 | 2 | --series; E12
filter --woofer woofer.csv --crossover 3kHz --attenuate 3dB | 2 | no tweeter to attenuate
filter --woofer woofer.csv --crossover 3kHz --attenuate 3 | 2 | has no unit; 3dB
filter --woofer woofer.csv --crossover 3kHz --compensate tweeter | 2 | no tweeter to compensate
filter --woofer magnitude.csv --crossover 3kHz      | 2 | no phase; freeair fit
filter --woofer gone.csv --crossover 3kHz           | 2 | gone.csv; does not exist
filter --woofer take-section --crossover 3kHz       | 1 | take-section; not-passive
filter --woofer coil.json --crossover 3kHz          | 2 | coil.json; no saved fit
filter net.toml --woofer woofer.csv                 | 2 | has a tweeter branch; --tweeter FILE
filter net.toml --woofer woofer.csv --tweeter tweeter.s1p --crossover 3kHz | 2 | Leave the options
filter gone.toml --woofer woofer.csv                | 2 | gone.toml
filter bench.toml --woofer woofer.csv               | 2 | bench.toml; freeair-network/1
filter net.toml --woofer woofer.csv --tweeter tweeter.s1p --rated 8ohm | 2 | --drive
filter net.toml --woofer woofer.csv --tweeter tweeter.s1p --drive 10 | 2 | --drive; has no unit
filter net.toml --woofer woofer.csv --tweeter tweeter.s1p --drive 9V --rated 8ohm | 2 | --rated
filter net.toml --woofer woofer.csv --tweeter tweeter.s1p --amplifier-minimum 4 | 2 | 4; has no unit
filter net.toml --woofer woofer.csv --tweeter tweeter.s1p --at-hand net.toml | 2 | freeair-stock/1
filter net.toml --woofer woofer.csv --tweeter tweeter.s1p --at-hand woofer.json | 2 | no saved part
filter net.toml --woofer woofer.csv --tweeter tweeter.s1p --picture p.gif | 2 | .png or .svg
filter net.toml --woofer woofer.csv --tweeter tweeter.s1p --save-network net.toml | 2 | exists already
filter net.toml --woofer woofer.csv --tweeter tweeter.s1p --measured-transfer section.wav | 2 | --branch
filter net.toml --woofer woofer.csv --tweeter tweeter.s1p --measured-transfer gone.wav --branch tweeter | 2 | gone.wav
filter net.toml --woofer woofer.csv --tweeter tweeter.s1p --branch tweeter | 2 | --measured-transfer
"""  # noqa: E501  # one command a line


@pytest.mark.parametrize("row", ROWS.strip().splitlines())
def test_wrong_input(invoke, row, bench):
    before = sorted(path.name for path in bench.iterdir())
    command, status, pieces = (cell.strip() for cell in row.split(" | "))
    ran = invoke(*command.split())
    assert ran.status == int(status), ran.told
    assert "Sorry" not in ran.told
    for piece in pieces.split(";"):
        assert piece.strip() in ran.told
    assert sorted(path.name for path in bench.iterdir()) == before


@pytest.mark.parametrize(
    ("change", "pieces"),
    [
        (('format = "freeair-network/1"', ""), ["format"]),
        (("freeair-network/1", "freeair-network/7"), ["newer"]),
        (("[[woofer]]", "[[squeaker]]"), ["squeaker", "woofer, midrange, tweeter"]),
        (('place = "series"', 'place = "across"'), ["arm 1", "across", '"shunt"']),
        (("inductor =", "inductr ="), ["inductr", "arm 1"]),
        (('"0.82mH ± 2%"', '"0.82"'), ["has no unit", "arm 1"]),
        (('"0.82mH ± 2%"', "0.82"), ["text in double quotes"]),
        (('"12uF ± 5%"', '"12mH ± 5%"'), ["inductance"]),
        (('part = "coil.json"', 'part = "gone.json"'), ["gone.json", "does not exist"]),
        (('part = "coil.json"', ""), ["has no part"]),
        (
            ('resistor = "1R5 ± 5%"', 'resistor = "1R5 ± 5%"\nback_to_back = "yes"'),
            ["true or false"],
        ),
        (("format", "format = ["), ["line 1"]),
    ],
)
def test_wrong_network_files(invoke, bench, change, pieces, tmp_path):
    text = (
        NETWORK.replace("coil.json", str(bench / "coil.json"))
        if change[0] != 'part = "coil.json"'
        else NETWORK
    )
    path = tmp_path / "wrong.toml"
    path.write_text(text.replace(*change, 1), encoding="utf-8")
    ran = invoke("filter", path, *BOTH)
    assert ran.status == 2, ran.told
    for piece in pieces:
        assert piece in ran.told


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ('resistors = "1R5"', "resistors = '1R5' should be a list"),
        ("resistors = [1.5]", "1.5 should be text in double quotes"),
        ('capacitors = ["4.7uF", "3.3"]', "capacitors[2]: '3.3' has no unit"),
        ('capacitors = ["4.7mH"]', "inductance"),
        ('capacitor = ["4.7uF"]', "did you mean capacitors?"),
        ('parts = ["gone.json"]', "gone.json"),
        (f"resistors = {['1R5'] * 301}", "301 values, where 300 are the most"),
    ],
)
def test_wrong_stock_files(invoke, text, said, tmp_path):
    path = tmp_path / "wrong-stock.toml"
    path.write_text(f'format = "freeair-stock/1"\n{text}\n', encoding="utf-8")
    ran = invoke("filter", "net.toml", *BOTH, "--at-hand", path)
    assert ran.status == 2, ran.told
    assert said in ran.told


@pytest.mark.parametrize("name", ["../coil.json", "link.json", "out/coil.json", "ABSOLUTE"])
def test_a_stock_file_names_no_part_outside_its_folder(invoke, name, tmp_path):
    """Nor by a link: a drawer from somebody else reads nothing that was not put beside it."""
    drawer = tmp_path / "drawer"
    drawer.mkdir()
    (tmp_path / "coil.json").write_text("no part, and never read", encoding="utf-8")
    (drawer / "link.json").symlink_to("../coil.json")
    (drawer / "out").symlink_to("..", target_is_directory=True)
    name = name.replace("ABSOLUTE", str(tmp_path / "coil.json"))
    stock = drawer / "stock.toml"
    stock.write_text(f'format = "freeair-stock/1"\nparts = ["{name}"]\n', encoding="utf-8")
    ran = invoke("filter", "net.toml", *BOTH, "--at-hand", stock)
    assert ran.status == 2, ran.told
    assert "outside its folder" in ran.told and "--at-hand" in ran.told


def test_two_full_drawers_are_more_than_can_be_tried(invoke, tmp_path):
    path = tmp_path / "drawer.toml"
    path.write_text(f'format = "freeair-stock/1"\nresistors = {["1R5"] * 200}\n')
    ran = invoke("filter", "net.toml", *BOTH, "--at-hand", path, "--at-hand", path)
    assert ran.status == 2
    assert "400 resistors at hand" in ran.told


@pytest.mark.parametrize("kind", ["negative", "noise"])
def test_a_table_of_nothing_passive_is_refused_as_fit_does(invoke, kind, tmp_path):
    f = np.geomspace(20, 20000, 400)
    rng = np.random.default_rng(1)
    z = -WOOFER(f) if kind == "negative" else 8 * (rng.normal(size=400) + 1j * rng.normal(size=400))
    csv_table.write(tmp_path / "bad.csv", ImpedanceCurve(f, z))
    alone = invoke("fit", tmp_path / "bad.csv")
    ran = invoke("filter", "--woofer", tmp_path / "bad.csv", "--crossover", "1kHz")
    assert (alone.status, ran.status) == (1, 1)
    assert ran.stderr == alone.stderr


def test_measured_parts_of_one_arm_are_saved_as_the_same_network(invoke, bench, tmp_path):
    """A winding's resistance and that of a capacitor are both in series with the arm."""
    f = np.geomspace(20, 20000, 400)
    z = 0.5 + 1 / (s_of(f) * 10e-6)
    csv_table.write(tmp_path / "c.csv", ImpedanceCurve(f, z))
    words = ["part", "capacitor", str(tmp_path / "c.csv"), "--save", str(tmp_path / "c.json")]
    assert run(words) == 0
    parts = json.dumps([str(bench / "coil.json"), str(tmp_path / "c.json")])
    blocks = "".join(f'[[woofer]]\nplace = "{p}"\npart = {parts}\n' for p in ("series", "shunt"))
    (tmp_path / "n.toml").write_text(f'format = "freeair-network/1"\n{blocks}')
    only = ("--woofer", "woofer.csv")
    first = found(invoke, tmp_path / "n.toml", *only, "--save-network", tmp_path / "again.toml")
    again = found(invoke, tmp_path / "again.toml", *only)
    assert again["branches"][0]["level_db"] == pytest.approx(first["branches"][0]["level_db"])
    twice = json.dumps([str(tmp_path / "c.json")] * 2)
    block = f'[[woofer]]\nplace = "shunt"\npart = {twice}\n'
    (tmp_path / "two.toml").write_text(f'format = "freeair-network/1"\n{block}')
    assert invoke("filter", tmp_path / "two.toml", *only).status == 0
    ran = invoke("filter", tmp_path / "two.toml", *only, "--save-network", tmp_path / "three.toml")
    assert ran.status == 2 and "two capacitors in one arm" in ran.told
    assert not (tmp_path / "three.toml").exists()
