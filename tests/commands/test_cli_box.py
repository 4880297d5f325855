"""``freeair box`` and ``freeair box-check`` as their user meets them, from fit to finished box."""

from __future__ import annotations

import json
import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from boxed_bench import EFFECTS, STRONG, WOOFER, BoxCircuit, circuit_curve, fit_of, load
from invoked import Invoke
from ngspice_bench import (
    OVERSAMPLING,
    RATE_HZ,
    Bench,
    Card,
    excitation,
    node_voltages,
    write_wav24,
)
from program import freeair, succeed, take_path

from cli.main import run
from fit.box.advice import Tube, tube_change
from fit.box.saved_driver import of_fit
from fit.given import air
from fit.results import store
from fit.results.result import Estimate

AIR = ("--air-temperature", "20C", "--air-pressure", "1013.25hPa", "--relative-humidity", "50%")


@pytest.fixture
def invoke(capsys: pytest.CaptureFixture[str]) -> Invoke:
    return Invoke(capsys)


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Two fits, a fit without Vas, plans, curves of boxes as tables."""
    made = tmp_path_factory.mktemp("boxes")
    for name, driver in (("strong", STRONG), ("woofer", WOOFER)):
        fit = fit_of(driver, EFFECTS)
        text = json.dumps(store.to_json(fit, unit=f"Larch {name}"))
        (made / f"{name}.json").write_text(text, encoding="utf-8")
        known = {k: v for k, v in fit.parameters.items() if k != "Vas"}
        lean = json.dumps(store.to_json(replace(fit, parameters=known), unit="Larch lean"))
        (made / "lean.json").write_text(lean, encoding="utf-8")
    words = ["--vented", "--volume", "13.5L", "--fb", "47Hz", "--bore", "45mm", *AIR]
    save = ["--save", str(made / "plan.json"), "--json"]
    assert run(["box", str(made / "strong.json"), *words, *save]) == 0
    closed = ["--volume", "20L", *AIR, "--save", str(made / "closed-plan.json"), "--json"]
    assert run(["box", str(made / "woofer.json"), *closed]) == 0
    return made


def table(path: Path, driver: object, box: BoxCircuit, scratch: Path) -> Path:
    """The simulator's curve of a box as an impedance table."""
    curve = circuit_curve(driver, box, scratch)  # type: ignore[arg-type]  # a ngspice_bench.Driver
    rows = ["frequency_hz,resistance_ohm,reactance_ohm,standard_uncertainty_ohm"]
    for f, z, u in zip(
        curve.frequency_hz.tolist(), curve.impedance_ohm.tolist(),
        np.asarray(curve.standard_uncertainty_ohm).tolist(), strict=True,
    ):  # fmt: skip
        rows.append(f"{f!r},{z.real!r},{z.imag!r},{u!r}")
    path.write_text("\n".join(rows) + "\n", encoding="utf-8")
    return path


def test_closed_box_by_q(folder: Path, invoke: Invoke) -> None:
    """Vb = Vas/((Qtc/Qts)^2 - 1), with Vas in the air stated (Small 1972)."""
    ran = invoke("box", folder / "woofer.json", "--qtc", "0.9", *AIR, "--json")
    report = json.loads(ran.stdout)
    truth = WOOFER.truth()
    Qts = 1 / (1 / truth["Qms"] + 1 / truth["Qes"])
    stiff = air.density(101325, 293.15, 0.5) * air.sound_speed(101325, 293.15, 0.5) ** 2
    Vas = stiff * truth["Sd"] ** 2 * truth["Cms"]
    assert Vas == pytest.approx(truth["Vas"], rel=2e-4)
    assert report["plan"]["volume_m3"] == pytest.approx(Vas / ((0.9 / Qts) ** 2 - 1))
    assert report["parameters"]["Qtc"]["value"] == pytest.approx(0.9)
    assert report["parameters"]["fc"]["standard_uncertainty"] > 0


def test_flattest_vented_box_with_its_tube(folder: Path, invoke: Invoke) -> None:
    ran = invoke("box", folder / "strong.json", "--vented", "--bore", "55mm", *AIR, "--xmax",
                 "4mm", "--drive", "20W")  # fmt: skip
    assert ran.status == 0
    for piece in (
        "fb",
        "f3",
        "bore 55 mm",
        "the cone moves farther than",
        "hearing takes that",
        "95 % by the measured",
        "vent m/s",
    ):
        assert piece in ran.told, piece
    assert max(map(len, ran.stdout.splitlines())) <= 80


def test_a_tube_that_is_there_decides_the_tuning(folder: Path, invoke: Invoke) -> None:
    """Cutting what --bore asks for, then saying so, gives the wished tuning back."""
    words = ("box", folder / "strong.json", "--vented", "--volume", "13.5L", *AIR, "--json")
    asked = json.loads(invoke(*words, "--fb", "47Hz", "--bore", "45mm").stdout)["plan"]
    cut = f"{asked['vent']['length_m'] * 1e3:.4f}mm"
    got = json.loads(invoke(*words, "--bore", "45mm", "--tube-length", cut).stdout)["plan"]
    assert got["fb_hz"] == pytest.approx(47.0, rel=1e-4)


def test_watts_are_into_the_rated_impedance(folder: Path, invoke: Invoke) -> None:
    words = ("box", folder / "strong.json", "--volume", "20L", "--drive", "10W", *AIR, "--json")
    for rated, ohm in (((), 8.0), (("--rated", "4ohm"), 4.0)):
        drive = json.loads(invoke(*words, *rated).stdout)["drive_v"]
        assert drive == pytest.approx(math.sqrt(10 * ohm))


@pytest.mark.parametrize(("space", "volume"), [("300L", 0.2127), ("30L", 0.030)])
def test_space(space: str, volume: float, folder: Path, invoke: Invoke) -> None:
    """Up to the flattest box (Vb = Vas/(0.5/Qts^2 - 1) = 213 L here) space is used, not beyond."""
    words = ("box", folder / "woofer.json", "--space", space, *AIR, "--json")
    found = json.loads(invoke(*words).stdout)["plan"]["volume_m3"]
    assert found == pytest.approx(volume, rel=1e-3)


def test_boards_hold_the_net_volume(folder: Path, tmp_path: Path, invoke: Invoke) -> None:
    """Inside: what the box is to have, the stated driver, and pi/4 (45 + 2 x 3)^2 mm2 of tube."""
    page = tmp_path / "boards.html"
    words = ("--vented", "--volume", "13.5L", "--fb", "47Hz", "--bore", "45mm", *AIR)
    more = ("--board", "18mm", "--driver-volume", "0.5L", "--report", page, "--json")
    got = json.loads(invoke("box", folder / "strong.json", *words, *more).stdout)
    tube = math.pi / 4 * 0.051**2 * got["plan"]["vent"]["length_m"]
    air = math.prod(got["boards"]["inside"])
    assert air == pytest.approx(13.5e-3 + 0.5e-3 + tube, rel=1e-9)
    assert "front and back" in page.read_text(encoding="utf-8")


def test_pictures(folder: Path, tmp_path: Path, invoke: Invoke) -> None:
    for name in ("box.png", "box.svg"):
        words = ("--vented", "--bore", "55mm", "--picture", tmp_path / name)
        ran = invoke("box", folder / "strong.json", *words, *AIR)
        assert ran.status == 0
        assert (tmp_path / name).stat().st_size > 10_000
    again = invoke("box", folder / "strong.json", "--volume", "9L", "--picture", tmp_path / name)
    assert again.status == 2
    assert "not overwritten" in again.told
    from cli.pictures import plots_box
    from fit.box.predict import Air, Box, predict

    found = predict(of_fit(fit_of(STRONG)), Box(0.013, 45.0, 7.0, 2e-3), 2.83, Air(1.2, 344.0))
    for axes in plots_box.prediction_figure(found, "x", xmax=4e-3, limit_m_s=17.0).axes:
        assert axes.get_ylabel().endswith(("dB re 20 µPa", "mm", "m/s", "ms", "Ω"))


BOX, CHECK = ("box", "strong.json"), ("box-check", "vented.csv", "--driver", "strong.json")


@pytest.mark.ngspice
@pytest.mark.parametrize(
    ("words", "status", "piece"),
    [
        (("box", "none.json"), 2, "does not exist"),
        (("box", "vented.csv"), 2, "not a saved fit"),
        (("box", "plan.json"), 2, "no saved fit"),
        (("box", "lean.json"), 1, "no-volume"),
        ((*BOX, "--volume", "20"), 2, "no unit"),
        ((*BOX, "--volume", "20g"), 2, "no unit of volume"),
        ((*BOX, "--volume", "20L", "--qtc", "0.8"), 2, "decide the same"),
        ((*BOX, "--qtc", "0.2"), 2, "only raises it"),
        ((*BOX, "--qtc", "99"), 2, "lid on the cone"),
        ((*BOX, "--qtc", "0,8"), 2, "comma"),
        ((*BOX, "--fb", "40Hz"), 2, "belongs to a vented box"),
        ((*BOX, "--vented", "--qtc", "0.8"), 2, "belongs to a closed box"),
        ((*BOX, "--vented", "--fb", "40Hz"), 2, "tuning alone"),
        ((*BOX, "--vented", "--volume", "20L"), 2, "needs a tuning"),
        ((*BOX, "--vented", "--volume", "20L", "--tube-length", "9cm"), 2, "no bore"),
        ((*BOX, "--vented", "--volume", "20L", "--fb", "40Hz", "--bore", "5cm", "--tube-length",
          "9cm"), 2, "decides the tuning already"),
        ((*BOX, "--vented", "--bore", "5mm"), 1, "vent-too-narrow"),
        ((*BOX, "--vented", "--bore", "5000mm"), 1, "vent-too-large"),
        ((*BOX, "--vented", "--volume", "20L", "--bore", "1m", "--tube-length", "9cm"), 1,
         "vent-too-large"),
        ((*BOX, "--vented", "--tubes", "0"), 2, "at least one tube"),
        ((*BOX, "--drive", "3A"), 2, "no unit of power"),
        ((*BOX, "--rated", "4ohm"), 2, "nothing beside volts"),
        ((*BOX, "--drive", "-3V"), 2, "outside"),
        ((*BOX, "--picture", "box.gif"), 2, ".png or .svg"),
        ((*BOX, "--save", "plan.json"), 2, "not overwritten"),
        (("box", "woofer.json", "--vented", "--ql", "0.4"), 1, "no-alignment"),
        ((*CHECK[:2], "--driver", "none.json"), 2, "does not exist"),
        (("box-check", "none.csv", *CHECK[2:]), 2, "none.csv"),
        ((*CHECK, "--plan", "strong.json"), 2, "no plan of a box"),
        ((*CHECK, "--plan", "broken-plan.json"), 2, "fb_hz = 'x'"),
        ((*CHECK, "--plan", "plan.json", "--closed"), 2, "plan is of a vented box"),
        ((*CHECK, "--closed", "--vented"), 2, "both said"),
        ((*CHECK, "--closed"), 1, "no-single-peak"),
        ((*CHECK, "--bore", "4cm"), 2, "towards a plan"),
        (("box-check", "closed.csv", "--driver", "woofer.json", "--vented"), 1, "no-double-peak"),
        (("box-check", "closed.csv", "--driver", "lean.json"), 1, "no-volume"),
    ],
)  # fmt: skip
def test_wrong_words(
    words: tuple[str, ...], status: int, piece: str, folder: Path, invoke: Invoke
) -> None:
    if not (folder / "vented.csv").exists():
        table(folder / "vented.csv", STRONG, BoxCircuit.vented(0.0135, 50.0, 7.0), folder / "n")
        table(folder / "closed.csv", WOOFER, BoxCircuit(0.02), folder / "n")
        (folder / "broken-plan.json").write_text(
            '{"format": "freeair-box/1", "plan": {"kind": "vented", "volume_m3": 1, "fb_hz": "x"}}'
        )
    before = sorted(folder.iterdir())
    at = [folder / word if word.endswith((".json", ".csv", ".gif")) else word for word in words]
    ran = invoke(*at)
    assert ran.status == status, ran.told
    assert piece in ran.told, ran.told
    assert "Traceback" not in ran.told
    assert ran.stdout == ""
    assert sorted(folder.iterdir()) == before
    loud = invoke(*at, "--json")
    assert json.loads(loud.stdout)["refused"] is True


@pytest.mark.ngspice
def test_finished_box_against_its_plan(folder: Path, tmp_path: Path, invoke: Invoke) -> None:
    """Built 13.5 L at 50 Hz where 47 Hz was meant: the tube is too short, the volume right."""
    curve = table(tmp_path / "porch.csv", STRONG, BoxCircuit.vented(0.0135, 50.0, 7.0), tmp_path)
    words = ("box-check", curve, "--driver", folder / "strong.json", "--plan")
    ran = invoke(*words, folder / "plan.json", "--picture", tmp_path / "porch.png")
    assert ran.status == 0, ran.told
    assert "the box acts like" in ran.told and ": as planned" in ran.told
    assert "tuned to 50" in ran.told
    assert "tube longer by" in ran.told
    assert (tmp_path / "porch.png").stat().st_size > 10_000
    *lines, picture = ran.stdout.splitlines()
    assert picture.startswith("Picture: ")  # as long as its path
    assert max(map(len, lines)) <= 80
    report = json.loads(invoke(*words, folder / "plan.json", "--json").stdout)
    assert report["parameters"]["fb"]["value"] == pytest.approx(50.0, rel=0.003)
    low, high = report["parameters"]["Vb"]["interval_95"]
    assert low < 0.0135 < high


@pytest.mark.ngspice
def test_ohms_of_a_table_that_are_off_by_their_tolerance(
    folder: Path, tmp_path: Path, invoke: Invoke
) -> None:
    """4 % too many ohms in every row: within the meter's 4 % the box is what it is."""
    true = table(tmp_path / "porch.csv", STRONG, BoxCircuit.vented(0.0135, 50.0, 7.0), tmp_path)
    head, *rows = true.read_text(encoding="utf-8").splitlines()
    off = [[float(cell) for cell in row.split(",")] for row in rows]
    lines = [head, *(",".join(f"{v}" for v in (f, *(1.04 * x for x in xs))) for f, *xs in off)]
    read = tmp_path / "meter.csv"
    read.write_text("\n".join(lines) + "\n", encoding="utf-8")
    words = ("box-check", read, "--driver", folder / "strong.json", "--table-tolerance", "4%")
    found = json.loads(invoke(*words, "--json").stdout)["parameters"]
    for symbol, truth in (("Vb", 0.0135), ("fb", 50.0)):
        low, high = found[symbol]["interval_95"]
        assert low < truth < high, symbol


def test_cutting_as_told_meets_the_tuning() -> None:
    """Helmholtz: with the moving air longer by (50/47)^2 the tuning is 47 Hz."""
    from fit.box.vent import tuning

    tube = Tube(bore=0.045, length=0.110)
    built = tuning(tube.length, 0.0135, tube.bore, 344.0)
    estimate = Estimate(built, "Hz", {"x": 0.01})
    longer = tube_change(estimate, 0.9 * built, tube)
    again = tuning(tube.length + longer.value, 0.0135, tube.bore, 344.0)
    assert again == pytest.approx(0.9 * built, rel=1e-9)
    # The end correction is known to a fifth of the radius: a quarter of that here.
    assert 0 < longer.standard_uncertainty < 1e-3


@pytest.mark.ngspice
def test_recording_of_a_finished_box(folder: Path, tmp_path: Path) -> None:
    """The whole way: the simulator plays a sweep into the box, the program imports the recording
    as a system and finds what was built. Bounds as asked: fb 0.3 %, the rest by its interval."""
    box = BoxCircuit.vented(0.0135, 50.0, 7.0)
    bench = Bench(resistor=10.02)
    drive = excitation((2.0, 2.0), stop_hz=2000.0)
    volts = node_voltages(STRONG, bench, load(STRONG, box), drive, tmp_path / "run")
    card, samples = Card(gain=1.02), volts[::OVERSAMPLING]
    rig = tmp_path / "bench.toml"
    succeed("rig", "new", rig, "--series-resistor", "10ohm", "--tolerance", "0.5",
            "--input-resistance", "22kohm", "--sample-rate", str(RATE_HZ), "--woofer")  # fmt: skip
    wav = write_wav24(tmp_path / "box.wav", card.record(samples, 1))
    same = write_wav24(tmp_path / "same.wav", card.record(samples[:, [0, 0]], 2))
    take = take_path(
        succeed("import", wav, "--rig", rig, "--unit", "porch", "--kind", "system",
                "--calibration", same, "--out", tmp_path / "takes")
    )  # fmt: skip
    report = json.loads(succeed("box-check", take, "--driver", folder / "strong.json", "--json"))
    assert report["kind"] == "vented"
    of = report["parameters"]
    assert of["fb"]["value"] == pytest.approx(50.0, rel=0.003)
    for name, truth in (("fb", 50.0), ("QL", 7.0), ("Vb", 0.0135)):
        low, high = of[name]["interval_95"]
        assert low <= truth <= high, (name, of[name])
    refused = freeair("fit", take)
    assert refused.returncode == 2  # a system is no bare driver
