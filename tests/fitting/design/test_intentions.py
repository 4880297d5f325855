"""Wishes turned into parts: the way back from definitions published by Thiele and Small."""

from __future__ import annotations

import json
import math
from pathlib import Path

import pytest
from boxed_bench import DENSITY, SOUND_SPEED, STRONG
from invoked import Invoke

from cli.sources import targets_file
from fit.design.intentions import Goals, intend
from fit.given.measured import Stated
from fit.results.propagate import propagate
from meas.errors import Refused

TRUTH = STRONG.truth()
QTS = 1 / (1 / TRUTH["Qms"] + 1 / TRUTH["Qes"])
# A disc in free air carries 8/3 rho a^3 in all (H. Lamb, Hydrodynamics).
AIR_LOAD = 8 / 3 * DENSITY * (STRONG.Sd / math.pi) ** 1.5


def exact(value: float, name: str) -> Stated:
    return Stated(value, 0.0, name, name)


def parts(**more: float) -> dict[str, Stated]:
    """Parts of the driver STRONG: 2 g of surround and 1.6 g of spider count half."""
    rest = STRONG.Mms - AIR_LOAD - 0.5 * 3.6e-3
    values = {
        "cone": 0.6 * rest, "coil": 0.3 * rest, "glue": 0.1 * rest, "surround": 2e-3,
        "spider": 1.6e-3, "Sd": STRONG.Sd, "Re": STRONG.Re, "Qms": TRUTH["Qms"], **more,
    }  # fmt: skip
    return {name: exact(value, name) for name, value in values.items()}


def wished(wish: Goals, **more: float) -> dict[str, float]:
    found = intend(parts(**more), wish, DENSITY, SOUND_SPEED)
    return {name: e.value for name, e in found.parameters.items()}


def test_a_known_driver_comes_back() -> None:
    """Its fs and Qts wished for, its mass on the scales: its own compliance and force factor."""
    found = wished(Goals(fs=True, Qts=True), fs=TRUTH["fs"], Qts=QTS, length=6.4)
    for name in ("Mms", "Cms", "Bl", "Vas", "Qes"):
        assert found[name] == pytest.approx(TRUTH[name], rel=1e-9), name
    assert found["B"] == pytest.approx(STRONG.Bl / 6.4, rel=1e-9)
    # eta0 = rho Bl^2 Sd^2/(2 pi c Re Mms^2), the other form of Small 1972.
    eta0 = DENSITY * (STRONG.Bl * STRONG.Sd / STRONG.Mms) ** 2 / (
        2 * math.pi * SOUND_SPEED * STRONG.Re
    )  # fmt: skip
    assert found["eta0"] == pytest.approx(eta0, rel=1e-9)


def test_the_same_by_its_box() -> None:
    """fc = fs sqrt(1 + Vas/Vb) and Qtc likewise (Small 1972), wished instead of fs and Qts."""
    growth = math.sqrt(1 + TRUTH["Vas"] / 0.012)
    found = wished(
        Goals(box=True, fc=True, Qtc=True), box=0.012, fc=TRUTH["fs"] * growth, Qtc=QTS * growth
    )
    for name in ("fs", "Cms", "Bl"):
        assert found[name] == pytest.approx(TRUTH[name], rel=1e-9), name


def test_box_that_both_qs_ask_for() -> None:
    found = wished(
        Goals(fs=True, Qts=True, Qtc=True), fs=TRUTH["fs"], Qts=QTS, Qtc=2 * QTS
    )  # alpha = 3
    assert found["Vb"] == pytest.approx(TRUTH["Vas"] / 3)


@pytest.mark.parametrize(
    ("wish", "more", "piece"),
    [
        (Goals(fs=True, Qts=True, Qtc=True), {"fs": 45, "Qts": 0.5, "Qtc": 0.4}, "only raises"),
        (Goals(fs=True, Qts=True), {"fs": 45, "Qts": 9.0}, "not below Qms"),
        (Goals(box=True, fc=True), {"box": 0.002, "fc": 60}, "no suspension, however soft"),
        (
            Goals(fs=True, box=True, fc=True),
            {"fs": 45, "box": 0.02, "fc": 90},
            "fc 90 Hz is wished",
        ),
        (
            Goals(fs=True, box=True, Qts=True, Qtc=True),
            {"fs": 45, "box": 0.02, "Qts": 0.3, "Qtc": 0.9},
            "Qtc 0.9 is wished",
        ),
        (Goals(fs=True, Qts=True), {"fs": 45, "Qts": 0.33, "length": 3.0}, "does not reach 1.5 T"),
    ],
)
def test_contradictions(wish: Goals, more: dict[str, float], piece: str) -> None:
    with pytest.raises(Refused, match=r"wishes-contradict|field-impossible") as refusal:
        wished(wish, **more)
    assert piece in str(refusal.value)


def test_least_box_that_is_told_is_the_limit() -> None:
    """A little beyond the volume named, the same wish is possible with a very soft suspension."""
    with pytest.raises(Refused) as refusal:
        wished(Goals(box=True, fc=True), box=0.002, fc=60.0)
    litres = float(str(refusal.value).split("beyond ")[1].split(" L")[0])
    assert wished(Goals(box=True, fc=True), box=1.02e-3 * litres, fc=60.0)["Cms"] > 10e-3


def test_strains() -> None:
    found = intend(
        parts(fs=45.0, Qts=0.33, length=5.6), Goals(fs=True, Qts=True), DENSITY, SOUND_SPEED
    )
    assert [f.code for f in found.findings] == ["field-hard"]
    found = intend(parts(fs=15.0), Goals(fs=True), DENSITY, SOUND_SPEED)
    assert [f.code for f in found.findings] == ["compliance-unusual"]


def test_what_the_scales_leave_open() -> None:
    """Cms goes as 1/Mms and Bl as its root: limits of 0.3 g are 0.3/sqrt(3) g of each mass."""
    inputs = parts(fs=45.0, Qts=0.35) | {
        "cone": Stated(4e-3, 0.3e-3, "scales", "scales"),
        "coil": Stated(2e-3, 0.3e-3, "scales", "scales"),
    }
    found = intend(inputs, Goals(fs=True, Qts=True), DENSITY, SOUND_SPEED).parameters
    mass = found["Mms"].contributions["scales"]
    assert mass == pytest.approx(2 * 0.3e-3 / math.sqrt(3), rel=1e-6)  # one source: they add up
    relative = mass / found["Mms"].value
    for name, power in (("Cms", -1.0), ("Bl", 0.5), ("Vas", -1.0)):
        part = found[name].contributions["scales"] / found[name].value
        assert part == pytest.approx(power * relative, rel=1e-6), name
    assert "scales" not in found["fs"].contributions


def test_propagation_of_a_product() -> None:
    """JCGM 100:2008, 5.1.6: relative variances of a product of powers add with their exponents."""
    values = {"a": Stated(3.0, 0.03, "a", ""), "b": Stated(5.0, 0.1, "b", "")}
    found = propagate(lambda v: {"y": (v["a"] ** 2 / v["b"], "1")}, values)["y"]
    u = math.hypot(2 * 0.01, 0.02) / math.sqrt(3)
    assert found.standard_uncertainty / found.value == pytest.approx(u, rel=1e-6)


MASSES = ("--cone", "4.1g", "--surround", "1.6g", "--spider", "1.2g", "--glue", "0.7g")
COIL = ("--wire", "0.2mm", "--former", "25mm", "--layers", "2", "--height", "9mm")
BASE = (*MASSES, "--diameter", "118mm")


@pytest.fixture
def invoke(capsys: pytest.CaptureFixture[str]) -> Invoke:
    return Invoke(capsys)


def test_targets_are_written_and_read_back(invoke: Invoke, tmp_path: Path) -> None:
    file = tmp_path / "lantern.toml"
    words = ("targets", "from-parts", file, *BASE, "--fs", "45Hz", "--qts", "0.4", *COIL)
    ran = invoke(*words, "--gap-height", "6mm")
    assert ran.status == 0, ran.told
    assert max(map(len, ran.stdout.splitlines())) <= 80
    plan = targets_file.read(file)
    aims = {target.parameter: target for target in plan.targets}
    assert set(aims) == {"fs", "Qts", "Mms", "Cms", "Bl", "Sd", "Re"}
    w = 2 * math.pi * 45
    assert aims["Cms"].target == pytest.approx(1 / (w * w * aims["Mms"].target), rel=1e-3)
    assert plan.winding.turns == 80
    again = invoke("targets", "from-parts", file, *BASE, "--fs", "50Hz", "--qts", "0.4")
    assert again.status == 2  # the file says otherwise already
    assert "targets.fs" in again.told
    kept = invoke("targets", "from-parts", file, *BASE, "--fs", "45Hz", "--qts", "0.4", "--json")
    assert kept.status == 0, kept.told  # the winding now comes out of the file
    assert json.loads(kept.stdout)["parameters"]["B"]["value"] > 0.5


@pytest.mark.parametrize(
    ("words", "status", "piece"),
    [
        ((*BASE, *COIL), 2, "no resonance is wished"),
        ((*BASE, *COIL, "--fc", "70Hz"), 2, "in which box"),
        ((*BASE, *COIL, "--fs", "45Hz", "--qtc", "0.7"), 2, "in which box"),
        ((*BASE[2:], *COIL, "--fs", "45Hz"), 2, "cone is not weighed"),
        ((*MASSES, *COIL, "--fs", "45Hz"), 2, "size of the cone"),
        ((*BASE, "--fs", "45Hz"), 2, "coil has no mass"),
        ((*BASE, "--coil", "2g", "--fs", "45Hz", "--qts", "0.4"), 2, "needs the coil's resistance"),
        ((*BASE, "--coil", "2", "--fs", "45Hz"), 2, "no unit"),
        ((*BASE, "--coil", "2g", "--fs", "45"), 2, "no unit"),
        ((*BASE, "--coil", "2g", "--fs", "45Hz", "--tolerance", "x"), 2, "no percentage"),
        ((*BASE, *COIL[:-2], "--fs", "45Hz"), 2, "either the turns or the height"),
        ((*BASE, *COIL, "--box", "3L", "--fc", "60Hz"), 1, "wishes-contradict"),
        ((*BASE, *COIL, "--fs", "45Hz", "--qts", "0.15", "--gap-height", "2mm"), 1,
         "field-impossible"),
    ],
)  # fmt: skip
def test_wrong_words(
    words: tuple[str, ...], status: int, piece: str, invoke: Invoke, tmp_path: Path
) -> None:
    ran = invoke("targets", "from-parts", tmp_path / "t.toml", *words)
    assert ran.status == status, ran.told
    assert piece in ran.told, ran.told
    assert "Traceback" not in ran.told
    assert list(tmp_path.iterdir()) == []
