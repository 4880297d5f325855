"""What the window does and shows is what its command does and shows, to the last digit.

Every action runs once from its form and once as the command that the window shows, typed into a
copy of the folder: both leave the same files and the same words. The bench is simulated with fixed
noise, so that two sweeps are one.
"""

from __future__ import annotations

import json
import re
import shlex
import shutil
from collections import Counter
from pathlib import Path

import pytest
from every_page import series
from invoked import Invoke

from cli.main import run
from cli.window import actions, folder, views, what_if
from cli.window.desk import Desk
from fit.results.quantities import capitalised
from meas.bench import rig_file

BENCH = ("--series-resistor", "10ohm", "--device", "simulated", "--sweep-seconds", "0.6")


@pytest.fixture(scope="module")
def furnished(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Takes of two drivers, a box and a part, fits, limits, a plan: something for every action."""
    place = tmp_path_factory.mktemp("both") / "form"
    place.mkdir()
    with pytest.MonkeyPatch.context() as patch:
        patch.chdir(place)
        assert run(["rig", "new", "bench.toml", "--woofer", *BENCH]) == 0
        rig = rig_file.read(Path("bench.toml"))
        assert rig.simulated is not None
        still = rig.simulated.model_copy(update={"seed": 4})
        rig_file.update(Path("bench.toml"), rig.model_copy(update={"simulated": still}))
        take = ("take", "--rig", "bench.toml", "--yes", "--quiet")
        for name, more in {
            "rowan": (), "rowan ": ("--added-mass", "7.5g±0.1g"),
            "porch": ("--kind", "system"), "coil": ("--kind", "part"),
            "loud": ("--levels", "0.1,0.2"),
        }.items():  # fmt: skip
            assert run([*take, name.strip(), *more]) == 0
        for each in sorted(Path("takes").iterdir()):
            short = each.with_name(re.sub(r"_2\d{7}-\d{6}.*", "", each.name))
            each.rename(each.with_name(f"{short.name}-2") if short.exists() else short)
        rowan = [p.as_posix() for p in sorted(Path("takes").glob("rowan*"))]
        Path("fits").mkdir()
        for name, size in (("before", "118mm"), ("after", "120mm")):
            saved = ("--save", f"fits/{name}.json")
            assert run(["fit", *rowan, "--diameter", size, *saved]) == 0
        units = [p.as_posix() for p in series(Path("units"))]
        assert run(["series", "limits", *units, "--save", "limits.toml"]) == 0
        box = ("--vented", "--volume", "16L", "--fb", "46Hz", "--bore", "50mm")
        assert run(["box", "fits/before.json", *box, "--save", "porch.json"]) == 0
        shutil.copy(next(Path("takes").glob("rowan_free*")) / "capture.wav", "recorded.wav")
        Path("drawer.toml").write_text(
            'format = "freeair-stock/1"\ncapacitors = ["10uF"]\ninductors = ["1mH"]\n', "utf-8"
        )
    return place


UNITS = [f"units/lantern-{number}.json" for number in range(8)]
ROWAN = ["takes/rowan_added-mass", "takes/rowan_free-air"]
RIG = {"RIG": "bench.toml"}
FORMS: dict[str, dict[str, object]] = {
    "rig-new": {"FILE": "new.toml", "--series-resistor": "4.7ohm", "--amplifier": "grounded"},
    "rig-level": {**RIG, "--set": True},
    "rig-tone": {**RIG, "--tone": "100Hz", "--volts-at-driver": "0.352V"},
    "rig-calibrate": {**RIG, "--standard": "short"},
    "rig-check": {**RIG, "--resistor": "8.2ohm±1%"},
    "take": {"UNIT": "--out=x; $(touch y)", "--rig": "bench.toml", "--added-mass": "7.5g"},
    "import": {"RECORDING": "recorded.wav", "--rig": "bench.toml", "--unit": "elder"},
    "fit": {"TAKE": ROWAN, "--diameter": "118mm", "--air-temperature": "21C",
            "--air-pressure": "340m", "--held": "clamped"},
    "levels": {"TAKE": ["takes/loud_free-air", "takes/loud_free-air-2"]},
    "compare": {"BEFORE": "fits/before.json", "AFTER": "fits/after.json"},
    "box-check": {"TAKE": "takes/porch_free-air", "--driver": "fits/before.json",
                  "--plan": "porch.json", "vent": "--vented"},
    "part": {"KIND": "inductor", "TAKE": ["takes/coil_free-air"]},
    "polarity-reference": RIG,
    "polarity-press": {"UNIT": "rowan", "--rig": "bench.toml"},
    "series-limits": {"UNITS": UNITS, "--coverage": "95%"},
    "series-judge": {"UNIT": UNITS[:1], "--limits": "limits.toml"},
    "series-pairs": {"UNITS": UNITS},
    "series-summary": {"UNITS": UNITS},
    "box-plan": {"FIT": "fits/before.json", "--volume": "20L", "--vented": True, "--fb": "40Hz",
                 "--bore": "60mm", "--air-temperature": "25C", "--air-pressure": "900hPa"},
}  # fmt: skip
_WHEN = re.compile(r"2\d{3}-?\d\d-?\d\d[-T ]?\d\d:?\d\d(:?\d\d)?(\.\d+)?(\+00:00|Z)?")
_OWN = re.compile(r'new-[0-9a-f]{4}|"(wall_seconds|measured_rate_hz)": [0-9.]+')


def plain(text: str, place: Path) -> str:
    """Without what differs from one moment and one folder to the next."""
    return _OWN.sub("~", _WHEN.sub("~", text.replace(str(place), "~")))


def files(place: Path) -> dict[str, str]:
    """Every file of a folder as it counts."""
    found: dict[str, str] = {}
    for path in sorted(place.rglob("*")):
        if path.is_file():
            name, content = plain(path.relative_to(place).as_posix(), place), path.read_bytes()
            if path.suffix == ".wav":
                found[name] = content.partition(b"data")[2].hex()  # a head holds the time
            else:
                found[name] = plain(content.decode("utf-8"), place)
    return found


def test_every_action_is_tried() -> None:
    assert set(FORMS) == set(actions.ACTIONS)


@pytest.mark.parametrize("name", FORMS)
def test_form_and_command_are_the_same(
    name: str,
    furnished: Path,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    form, typed = tmp_path / "form", tmp_path / "typed"
    for place in (form, typed):
        shutil.copytree(furnished, place)
    monkeypatch.chdir(form)
    desk = Desk(real_time=False)
    rig = FORMS[name].get("RIG", FORMS[name].get("--rig"))
    job = desk.start(
        name, actions.argv(name, FORMS[name]), rig=folder.rig(str(rig)) if rig else None
    )
    desk.wait()
    monkeypatch.chdir(typed)
    for place in ("fits", "parts", "plans"):  # as anyone would make it who types the command
        (typed / place).mkdir(exist_ok=True)
        (form / place).mkdir(exist_ok=True)
    monkeypatch.setenv("COLUMNS", "1000")  # a terminal as wide as it takes to leave nothing out
    done = Invoke(capsys)(*shlex.split(job.command)[1:])
    assert done.status == job.status
    assert name == "polarity-press" or job.status == 0, job.said
    assert files(form) == files(typed)
    notes = re.sub(r" \[[a-z-]+\]$", "", done.stderr, flags=re.M)  # codes are for scripts alone
    both = [Counter(re.findall(r"[\w.%+-]+", plain(text, place))) for text, place in (
        (job.said, form), (done.stdout + notes, typed))]  # fmt: skip
    assert both[0] == both[1]


def test_driver_page_says_what_fit_prints(
    furnished: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(furnished)
    monkeypatch.setenv("COLUMNS", "1000")
    done = Invoke(capsys)("fit", *ROWAN, "--diameter", "118mm", "--all", "--no-keep")
    assert done.status == 0
    lines = [line.split() for line in done.stdout.splitlines()]
    rows = views.values(folder.saved_fit("fits/before.json"))
    assert {"fs", "Qts", "Vas"} <= {row.symbol for row in rows}
    for row in rows:
        assert any(row.value.split()[0] in line for line in lines), row


DRIVER = {"fit": "fits/before.json"}
BOX = {**DRIVER, "vented": True, "volume_l": 18.34, "fb_hz": 41.2, "ql": 7, "bore_mm": 60,
       "drive_v": 10.3, "xmax_mm": 4, "source_ohm": 0.3, "celsius": 24.5,
       "pressure_hpa": 940}  # fmt: skip
NETWORK = {"woofer": "fits/before.json", "tweeter": "", "corner_hz": 2034, "order": 2, "q": 0.71,
           "attenuate_db": 0, "compensate": True, "drive_v": 9.01, "least_ohm": 4,
           "stock": "drawer.toml"}  # fmt: skip
COIL = {**DRIVER, "former_mm": 25.4, "plate_mm": 5, "wall_mm": 0.1, "pole_mm": 24.6,
        "hole_mm": 27.6, "metal": "aluminium", "now_wire_mm": 0.18,
        "now_layers": 2, "now_height_mm": 10, "new_wire_mm": 0.2, "new_layers": 4,
        "new_height_mm": 11.5}  # fmt: skip


class TestSliders:
    """The command beside the sliders, typed, says the same numbers."""

    @pytest.fixture(autouse=True)
    def place(self, furnished: Path, monkeypatch: pytest.MonkeyPatch) -> None:
        monkeypatch.chdir(furnished)

    def typed(self, said: dict[str, object], capsys: pytest.CaptureFixture[str]) -> dict:
        capsys.readouterr()
        done = Invoke(capsys)(*shlex.split(str(said["command"]))[1:], "--json")
        assert done.status == 0, done.stderr
        return dict(json.loads(done.stdout))

    @pytest.mark.parametrize("vented", [True, False])
    def test_box(self, vented: bool, capsys: pytest.CaptureFixture[str]) -> None:
        said = what_if.box({**BOX, "vented": vented})
        whole = self.typed(said, capsys)
        curves = whole["curves"]
        six = pytest.approx  # the page gets six digits
        assert said["f"] == six(curves["frequency_hz"], rel=1e-5)
        for name, key, scale in (("level", "level_db", 1), ("excursion", "excursion_m", 1e3),
                                 ("speed", "vent_speed_m_s", 1)):  # fmt: skip
            if said["curves"][name] is None:
                assert not vented
                continue
            wanted = [scale * one for one in curves[key]]
            assert said["curves"][name]["y"] == six(wanted, rel=1e-5)
            off = [scale * 1.96 * one for one in curves[f"{key}_standard_uncertainty"]]
            high = [a + b for a, b in zip(wanted, off, strict=True)]
            assert said["curves"][name]["high"] == six(high, rel=2e-5)
        first = [re.search(r" (\d+)\.?(\d*) ", line + " ") for line in said["values"]]
        for symbol, one in whole["parameters"].items():
            written = [f"{one['value']:.{len(n[2])}f}" == n[0].strip() for n in first if n]
            assert not one["value"] or any(written), (symbol, one["value"], said["values"])
        assert [one["text"] for one in said["findings"]] == [
            capitalised(one["text"]) for one in whole["findings"]
        ]
        kept = actions.argv("box-plan", dict(said["fields"]))
        assert sorted((*shlex.split(said["command"])[1:], *kept[-3:-1])) == sorted(kept)

    def test_network(self, capsys: pytest.CaptureFixture[str]) -> None:
        said = what_if.network(NETWORK)
        whole = self.typed(said, capsys)
        assert said["f"] == pytest.approx(whole["frequency_hz"], rel=1e-5)
        least = whole["load"]["minimum_ohm"]
        assert said["least"]["ohm"] == pytest.approx(least["value"], rel=1e-9)
        assert said["least"]["hz"] == pytest.approx(whole["load"]["minimum_at_hz"], rel=1e-9)
        width = least["interval_95"][1] - least["interval_95"][0]
        assert said["least"]["off"] == pytest.approx(width / 2, rel=1e-9)
        (branch,) = whole["branches"]
        assert said["levels"]["woofer"]["y"] == pytest.approx(branch["level_db"], rel=1e-5)
        for shown, one in zip(said["parts"], branch["parts"], strict=True):
            assert (shown["name"], shown["place"]) == (one["name"], one["place"])
            assert shown["si"] == pytest.approx(one["value"], rel=1e-9)
            if one["tone_watt"]:
                assert f"at worst {one['tone_watt']:.2g} W" in shown["heat"]
        assert said["least"]["verdict"] == whole["load"]["verdict"]
        codes = [one["code"] for one in whole["findings"]]
        assert codes
        assert [one["code"] for one in said["findings"]] == codes

    def test_coil(self, capsys: pytest.CaptureFixture[str]) -> None:
        said = what_if.coil(COIL)
        (wound,) = self.typed(said, capsys)["coils"]
        assert f"{wound['turns']} turns" in said["coil"][0]
        assert f"{wound['resistance_20C_ohm']['value']:.3g} Ω at 20" in said["coil"][0]
        assert f"{1e3 * wound['mass_kg']:.3g} g" in said["coil"][0]
        share = 100 * wound["length_in_gap_m"] / wound["length_m"]
        assert said["coil"][1].startswith(f"{share:.0f} %")
        for side in ("inside", "outside"):
            assert f"{1e3 * wound[f'clearance_{side}_m']:.2f} mm" in said["coil"][3]
