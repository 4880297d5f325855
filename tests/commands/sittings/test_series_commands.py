"""``freeair series`` as it is used: files in, words, JSON and exit status out."""

from __future__ import annotations

import json
import math
import re
from pathlib import Path

import numpy as np
import pytest
from driver_bench import FREQUENCY, WOOFER
from invoked import Invoke
from made_fits import Physical, fit_of

from cli.series import limits_file
from fit.results.store import to_json
from fit.series.limits import derive
from fit.series.values import JUDGED
from meas.errors import Finding, UnreadableInput

DRIVER = Physical()
SPREADS = {"Re": 0.008, "Le": 0.02, "Bl": 0.012, "Mms": 0.01, "Cms": 0.05, "Rms": 0.06}


def save(folder: Path, name: str, driver: Physical, warnings: tuple[Finding, ...] = ()) -> Path:
    path = folder / f"{name}.json"
    path.write_text(json.dumps(to_json(fit_of(driver), unit=name, warnings=warnings)))
    return path


def made(rng: np.random.Generator) -> Physical:
    return DRIVER.but(**{p: math.exp(s * rng.standard_normal()) for p, s in SPREADS.items()})


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Ten saved fits of an invented woofer, and limits made of them."""
    monkeypatch.chdir(tmp_path)
    rng = np.random.default_rng(3)
    for index in range(10):
        save(tmp_path, f"lantern-{index:02d}", made(rng))
    return tmp_path


@pytest.fixture
def freeair(capsys: pytest.CaptureFixture[str]) -> Invoke:
    return Invoke(capsys)


def fits(folder: Path) -> list[Path]:
    return sorted(folder.glob("lantern-*.json"))


def test_the_whole_job(folder: Path, freeair: Invoke) -> None:
    file = folder / "limits.toml"
    ran = freeair("series", "limits", *fits(folder), "--save", file)
    assert ran.status == 0, ran.told
    assert ran.stdout.splitlines()[-1] == str(file)
    good = freeair("series", "judge", save(folder, "new", DRIVER), "--limits", file)
    assert good.status == 0
    assert good.stdout.startswith("new: inside")
    heavy = save(folder, "heavy", DRIVER.but(Mms=1.25))
    plain = freeair("series", "judge", heavy, "--limits", file)
    assert plain.status == 0, "by status only where asked"
    assert plain.stdout.startswith("heavy: outside")
    assert "heavier moving parts (glue)" in plain.told
    assert freeair("series", "judge", heavy, "--limits", file, "--judge-by-status").status == 3
    limits = limits_file.read(file)
    upper = next(one.upper for one in limits.limits if one.parameter == "fs")
    assert upper is not None
    edge = DRIVER.but(Cms=(DRIVER.values()["fs"] / upper) ** 2 * 0.999)
    ran = freeair("series", "judge", save(folder, "edge", edge), "--limits", file,
                  "--judge-by-status", "--json")  # fmt: skip
    assert ran.status == 4
    document = json.loads(ran.stdout)
    assert document["verdict"] == "undecided"
    assert [j["parameter"] for j in document["judged"] if j["verdict"] == "undecided"] == ["fs"]
    assert {c["layer"] for c in document["curve"]} == {"shape", "phase"}


def test_a_unit_drawn_among_the_good_ones(folder: Path, freeair: Invoke) -> None:
    file = folder / "limits.toml"
    freeair("series", "limits", *fits(folder), "--save", file)
    unit = save(folder, "<$new$>", DRIVER)
    ran = freeair("series", "judge", unit, "--limits", file, "--picture", folder / "new.svg")
    assert ran.status == 0, ran.told
    drawn = (folder / "new.svg").read_text()
    assert "&lt;$new$&gt;: inside" in drawn
    assert "good units" in drawn and "frequency, Hz" in drawn
    again = freeair("series", "judge", unit, "--limits", file, "--picture", folder / "new.svg")
    assert again.status == 2 and "exists already" in again.told
    file.write_text(file.read_text().replace("judged = true", "judged = false"))
    ran = freeair("series", "judge", unit, "--limits", file, "--picture", folder / "other.png")
    assert ran.status == 2 and "no curves to draw" in ran.told


def test_the_file_says_what_was_derived(folder: Path, freeair: Invoke) -> None:
    file = folder / "limits.toml"
    ran = freeair("series", "limits", *fits(folder), "--save", file, "--json")
    document = json.loads(ran.stdout)
    assert document["format"] == "freeair-series-limits/1"
    from cli.sources.opened import fit as read_fit

    direct = derive([read_fit(path) for path in fits(folder)])
    back = limits_file.read(file)
    assert back.units == direct.units
    assert back.near == direct.near
    for one, other in zip(direct.limits, back.limits, strict=True):
        assert one == other  # to the last digit, though people see five of them
    assert tuple(x.parameter for x in back.limits if x.judged) == tuple(
        symbol for symbol in (x.parameter for x in back.limits) if symbol in JUDGED
    )
    assert back.mask is not None and direct.mask is not None
    for name, layer in direct.mask.layers.items():
        np.testing.assert_allclose(back.mask.layers[name].centre, layer.centre, atol=1e-6)
    for given in document["limits"]:
        same = next(one for one in back.limits if one.parameter == given["parameter"])
        assert (given["lower"], given["upper"]) == (same.lower, same.upper)


def test_people_may_edit_it(folder: Path, freeair: Invoke) -> None:
    file = folder / "limits.toml"
    freeair("series", "limits", *fits(folder), "--save", file)
    lines = file.read_text().splitlines()
    at = next(i for i, line in enumerate(lines) if line.startswith("fs ="))
    lines[at] = 'fs = "51Hz ± 20%"'
    spare = next(i for i, line in enumerate(lines) if line.startswith("# Bl ="))
    lines[spare] = lines[spare].removeprefix("# ").replace('lower = "', 'lower = "', 1)
    at = next(i for i, line in enumerate(lines) if line.startswith("Qms ="))
    lines[at] = 'Qms = { lower = "1.5" }'
    at = next(i for i, line in enumerate(lines) if line.startswith("Re ="))
    lines[at] = "# " + lines[at]
    at = next(i for i, line in enumerate(lines) if line == "judged = true")
    lines[at] = "judged = false"
    file.write_text("\n".join(lines))
    found = limits_file.read(file)
    judged = {one.parameter: one for one in found.limits if one.judged}
    assert set(judged) == {"fs", "Bl", "Qms", "Le", "Cmes"}
    assert (judged["fs"].lower, judged["fs"].upper) == pytest.approx((40.8, 61.2))
    assert judged["fs"].changed and judged["Qms"].changed
    assert not judged["Bl"].changed and not judged["Le"].changed
    assert judged["Qms"].upper is None
    assert found.mask is None


@pytest.mark.parametrize(
    ("old", "new", "told"),
    [
        ('fs = { lower = "', 'fz = { lower = "', "fz"),
        ('fs = { lower = "', 'fs = { lower = "9', "below its upper"),
        ("centre = ", "center = ", "center"),
        ("confidence = 0.9", "confidence = 1.9", "confidence"),
        ("[curve]", "[curves]", "curve"),
        ("factor = ", "factor = -", "factor"),
        ('format = "freeair-series/1"', 'format = "freeair-series/2"', "newer"),
        ('format = "freeair-series/1"', 'format = "freeair-targets/1"', "format"),
        ("[mask.shape]\nfrequency_hz = [", "[mask.shape]\nfrequency_hz = [1.0, ", "equally long"),
        ("spread = 0.", "spread = nan # ", "spread"),
    ],
)
def test_what_is_wrong_in_it_is_named(
    folder: Path, freeair: Invoke, old: str, new: str, told: str
) -> None:
    file = folder / "limits.toml"
    freeair("series", "limits", *fits(folder), "--save", file)
    text = file.read_text()
    assert old in text
    file.write_text(text.replace(old, new, 1))
    with pytest.raises(UnreadableInput, match=told):
        limits_file.read(file)


def test_names_of_units_and_benches_survive_the_file(folder: Path) -> None:
    units = [(f'"{i}" \\ ±\x7f\n]', fit_of(made(np.random.default_rng(i)))) for i in range(6)]
    limits = derive(units)
    file = folder / "odd.toml"
    limits_file.write(file, limits)
    assert limits_file.read(file).units == limits.units
    assert limits_file.read(file).limits == limits.limits


def test_a_rub_in_the_take_makes_a_unit_outside(folder: Path, freeair: Invoke) -> None:
    """However good its parameters are; the take's own finding is the reason."""
    file = folder / "limits.toml"
    freeair("series", "limits", *fits(folder), "--save", file)
    sign = Finding("rub", "Harmonics of the 10th order: the coil rubs")
    rubbing = save(folder, "rubbing", DRIVER, (sign,))
    ran = freeair("series", "judge", rubbing, "--limits", file, "--judge-by-status", "--json")
    assert ran.status == 3
    document = json.loads(ran.stdout)
    assert document["findings"][0]["code"] == "rub"
    assert {j["verdict"] for j in document["judged"]} == {"inside"}


def test_a_series_in_numbers(folder: Path, freeair: Invoke) -> None:
    file = folder / "limits.toml"
    freeair("series", "limits", *fits(folder), "--save", file)
    ran = freeair("series", "summary", *fits(folder), "--limits", file, "--json")
    assert ran.status == 0
    document = json.loads(ran.stdout)
    assert document["format"] == "freeair-series-summary/1"
    assert document["order"] == "as given"
    fs = next(q for q in document["quantities"] if q["parameter"] == "fs")
    assert fs["n"] == 10
    assert fs["outside"]["counted"] == 0
    low, high = fs["outside"]["expected_share"]["interval_95"]
    assert 0 <= low <= fs["outside"]["expected_share"]["value"] <= high < 0.1
    words = freeair("series", "summary", *fits(folder), "--limits", file)
    assert words.status == 0
    assert "Errors that all units share count in neither" in words.told
    assert "0 of 10" in words.told
    assert "No drift in the order given" in words.told
    assert max(len(line) for line in words.stdout.splitlines()) <= 80


def test_a_stack_into_pairs(folder: Path, freeair: Invoke) -> None:
    ran = freeair("series", "pairs", *fits(folder)[:7], "--json")
    assert ran.status == 0
    document = json.loads(ran.stdout)
    assert len(document["pairs"]) == 3
    assert document["proven_best"] is True
    names = {name for pair in document["pairs"] for name in (pair["first"], pair["second"])}
    assert names | {document["left_over"]} == {path.stem for path in fits(folder)[:7]}
    words = freeair("series", "pairs", *fits(folder)[:7])
    assert f"Left over: {document['left_over']}" in words.told
    assert max(len(line) for line in words.stdout.splitlines()) <= 80


def table(path: Path, factor: float, rng: np.random.Generator) -> None:
    z = factor * WOOFER.impedance(FREQUENCY) * np.exp(0.02 * rng.standard_normal())
    noise = 3e-4 * (rng.standard_normal(z.size) + 1j * rng.standard_normal(z.size))
    z = z * (1 + noise)
    rows = [f"{f},{v.real},{v.imag},{3e-4 * abs(v)}" for f, v in zip(FREQUENCY, z, strict=True)]
    head = "frequency_hz,resistance_ohm,reactance_ohm,standard_uncertainty_ohm"
    path.write_text("\n".join([head, *rows]) + "\n")


def test_tables_are_fitted_by_one_model_and_gross_curves_are_outside(
    folder: Path, freeair: Invoke
) -> None:
    """Six tables in; then one that no fit follows, yet whose |Z| is no good unit's."""
    rng = np.random.default_rng(4)
    tables = [folder / f"t{i}.csv" for i in range(6)]
    for path in tables:
        table(path, 1.0, rng)
    file = folder / "tables.toml"
    meter = ("--table-tolerance", "meter=1%")
    ran = freeair("series", "limits", *tables, "--save", file, "--model", "lossy", *meter)
    assert ran.status == 0, ran.told
    assert limits_file.read(file).model == "lossy"
    again = freeair("series", "judge", tables[2], "--limits", file, *meter, "--judge-by-status")
    assert again.status in (0, 4)
    # From a start that lies nowhere the long search has to be taken, and says the same.
    lost = folder / "lost.toml"
    lost.write_text(re.sub(r"(?m)^fs = (\d\S*)$", "fs = 900.0", file.read_text()))
    assert limits_file.read(lost).near["fs"] == 900.0
    words = [freeair("series", "judge", tables[2], "--limits", one, *meter, "--json").stdout
             for one in (file, lost)]  # fmt: skip
    near, far = (json.loads(text) for text in words)
    for one, other in zip(near["judged"], far["judged"], strict=True):
        assert one["value"] == pytest.approx(other["value"], rel=1e-6)
        assert one["verdict"] == other["verdict"]
    flat = folder / "flat.csv"
    rows = "\n".join(f"{f},{60},{0.1}" for f in FREQUENCY)
    flat.write_text(f"frequency_hz,resistance_ohm,reactance_ohm\n{rows}\n")
    ran = freeair("series", "judge", flat, "--limits", file, *meter, "--judge-by-status")
    assert ran.status == 3, ran.told
    assert "not even a fit was possible" in ran.told
    like = folder / "like.csv"  # no resonance, but a magnitude near that of good units
    z = np.abs(WOOFER.impedance(FREQUENCY))
    rows = "\n".join(f"{f},{a},{0.01}" for f, a in zip(FREQUENCY, z, strict=True))
    like.write_text(f"frequency_hz,resistance_ohm,reactance_ohm\n{rows}\n")
    ran = freeair("series", "judge", like, "--limits", file, *meter, "--judge-by-status")
    assert ran.status in (1, 3), "refused or outside, never good"


def test_takes_of_one_unit_belong_together_and_stand_in_order_of_time(
    folder: Path, freeair: Invoke
) -> None:
    """Three simulated units, the last with two takes, given out of order."""
    rig = folder / "bench.toml"
    words = ("--series-resistor", "10ohm", "--device", "simulated", "--woofer")
    assert freeair("rig", "new", rig, *words, "--sweep-seconds", "1").status == 0
    takes = []
    for unit in ("wren", "lark", "tit", "tit"):
        ran = freeair("take", unit, "--rig", rig, "--out", folder / "takes")
        assert ran.status == 0, ran.told
        takes.append(ran.stdout.splitlines()[-1])
        record = Path(takes[-1]) / "take.json"
        made_at = f"2031-05-0{len(takes)}T10:00:00+02:00"  # one take a day, not one a second
        record.write_text(re.sub(r'(?<="taken_at": ")[^"]+', made_at, record.read_text()))
    out_of_order = [takes[i] for i in (2, 0, 3, 1)]
    ran = freeair("series", "summary", *out_of_order, "--json")
    assert ran.status == 0, ran.told
    document = json.loads(ran.stdout)
    assert document["order"] == "time"
    assert document["units"] == ["wren", "lark", "tit"]
    few = freeair("series", "limits", *takes, "--save", folder / "few.toml", "--json")
    assert few.status == 1
    assert json.loads(few.stdout)["reasons"][0]["code"] == "too-few-units"
    assert not (folder / "few.toml").exists()
