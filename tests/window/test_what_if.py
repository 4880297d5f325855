"""The sliders say what the commands say, and refuse what lies outside their range."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
from made_fits import Physical, fit_of

from cli.window import keeping, what_if
from fit.design.rewound import NEEDED, rewound
from fit.design.winding import Coil, Former
from fit.design.wire import COPPER, enamelled
from fit.results import store
from meas.errors import UsageError

DRIVER = Physical()
BOX = {
    "fit": "lantern.json", "vented": True, "volume_l": 20, "fb_hz": 40, "ql": 7, "bore_mm": 60,
    "drive_v": 10, "xmax_mm": 4, "source_ohm": 0, "celsius": 20, "pressure_hpa": 1013.25,
}  # fmt: skip
NETWORK = {
    "woofer": "lantern.json", "tweeter": "", "corner_hz": 2000, "order": 2, "q": 0.7071,
    "attenuate_db": 0, "compensate": False, "drive_v": 9, "least_ohm": 4,
}  # fmt: skip
COIL = {
    "fit": "lantern.json", "former_mm": 25.4, "plate_mm": 5, "wall_mm": 0.1, "pole_mm": 24.6,
    "hole_mm": 27.6, "metal": "copper",
    "now_wire_mm": 0.18, "now_layers": 2, "now_height_mm": 10,
    "new_wire_mm": 0.18, "new_layers": 2, "new_height_mm": 10,
}  # fmt: skip


@pytest.fixture(autouse=True)
def place(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    document = store.to_json(fit_of(DRIVER), unit="Lantern")
    (tmp_path / "lantern.json").write_text(json.dumps(document), encoding="utf-8")
    monkeypatch.chdir(tmp_path)
    return tmp_path


def test_closed_box_has_no_air_speed() -> None:
    got = what_if.box({**BOX, "vented": False})
    assert got["curves"]["speed"] is None
    assert "--vented" not in got["command"]


def test_same_coil_changes_nothing() -> None:
    got = what_if.coil(COIL)
    for row in got["rows"]:
        if row["now"]:
            assert row["then"].split(" ±")[0] == row["now"].split(" ")[0], row


@pytest.mark.parametrize(
    ("way", "said"),
    [
        ("box", {**BOX, "volume_l": 0}),
        ("box", {**BOX, "volume_l": "20"}),
        ("box", {**BOX, "volume_l": True}),
        ("box", {**BOX, "drive_v": float("nan")}),
        ("box", {**BOX, "fit": "../lantern.json"}),
        ("box", {}),
        ("network", {**NETWORK, "woofer": ""}),
        ("network", {**NETWORK, "corner_hz": 1e9}),
        ("coil", {**COIL, "new_layers": 99}),
        ("coil", {**COIL, "now_layers": 6, "now_height_mm": 60, "now_wire_mm": 0.6}),
    ],
)
def test_what_cannot_be_is_refused(way: str, said: dict[str, object]) -> None:
    with pytest.raises(UsageError):
        what_if.WAYS[way](said)


def test_rewinding_follows_the_definitions() -> None:
    """Against Small's definitions worked out anew from Re, Bl, Mms, Cms and Rms."""
    measured = {name: fit_of(DRIVER).parameters[name].value for name in NEEDED}
    former = Former(0.0254, 0.0)
    now = Coil(enamelled(0.18e-3, COPPER), former, 2, 100)
    new = Coil(enamelled(0.15e-3, COPPER), former, 4, 220)
    got = rewound(measured, now, new, 5e-3)
    w = 2 * np.pi * measured["fs"]
    Cms, Rms = 1 / (w**2 * measured["Mms"]), w * measured["Mms"] / measured["Qms"]
    Mms = measured["Mms"] + new.mass - now.mass
    Re = measured["Re"] * new.resistance[1] / now.resistance[1]
    Bl2 = (w * measured["Mms"] * measured["Re"] / measured["Qes"]) * (
        new.length_in_gap(5e-3) / now.length_in_gap(5e-3)
    ) ** 2
    w2 = 1 / np.sqrt(Mms * Cms)
    assert got["fs"] == pytest.approx(w2 / (2 * np.pi), rel=1e-12)
    assert got["Qms"] == pytest.approx(w2 * Mms / Rms, rel=1e-12)
    assert got["Qes"] == pytest.approx(w2 * Mms * Re / Bl2, rel=1e-12)
    assert got["Mms"] == pytest.approx(Mms, rel=1e-12)


def run_as_shown(command: str) -> int:
    """The command that stands beside the sliders."""
    import shlex

    from cli.main import run

    return run(shlex.split(command)[1:])


def test_thin_air_makes_a_softer_box_and_radiates_less() -> None:
    """A spring of air is as stiff as its pressure, and what is radiated in proportion to density.

    Far above the resonance only the latter counts; the box moves fc as its stiffness says.
    """
    closed = {**BOX, "vented": False}
    sea, high = (what_if.box({**closed, "pressure_hpa": p}) for p in (1013.25, 850))
    change = np.subtract(high["curves"]["level"]["y"], sea["curves"]["level"]["y"])
    assert change[-1] == pytest.approx(20 * np.log10(850 / 1013.25), abs=0.03)
    low, usual = (float(one["values"][0].split()[1]) for one in (high, sea))
    fs = fit_of(DRIVER).parameters["fs"].value
    assert (low**2 - fs**2) / (usual**2 - fs**2) == pytest.approx(850 / 1013.25, rel=0.02)
    assert "--air-pressure 850hPa" in high["command"]


def test_parts_of_a_network_slide_and_are_kept(
    place: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (place / "drawer.toml").write_text(
        'format = "freeair-stock/1"\ncapacitors = ["4.7uF", "10uF", "22uF"]\n'
        'inductors = ["0.47mH", "1mH"]\n',
        encoding="utf-8",
    )
    own = what_if.network(NETWORK)
    part = own["parts"][0]
    parts = {f"{part['branch']} {part['name']}": 1.5 * part["si"]}
    moved = {**NETWORK, "parts": parts, "stock": "drawer.toml"}
    got = what_if.network(moved)
    assert got["parts"][0]["si"] == pytest.approx(1.5 * part["si"])
    assert all("%" in one["at_hand"] for one in got["parts"])
    assert got["levels"]["woofer"]["y"] != own["levels"]["woofer"]["y"]
    kept = keeping.network(moved)
    capsys.readouterr()
    assert run_as_shown(kept["command"] + " --json") == 0
    by_command = json.loads(capsys.readouterr().out)
    assert by_command["load"]["minimum_ohm"]["value"] == pytest.approx(
        got["least"]["ohm"], rel=1e-9
    )
    with pytest.raises(UsageError):
        what_if.network({**NETWORK, "parts": {next(iter(parts)): 1e3}})


def test_bands_are_kept_as_targets_and_leave_other_lines_alone(place: Path) -> None:
    from cli.sources import opened

    file = place / "aims.toml"
    file.write_text(
        'format = "freeair-targets/1"\n[targets]\n# as drawn\nRe = "5.8ohm ± 5%"\n', "utf-8"
    )
    said = {"file": "aims.toml", "unit": "Lantern", "bands": {"fs": [40, 50], "Vas": [12.5, 20]}}
    keeping.targets(said)
    read = {one.parameter: one for one in opened.targets(file).targets}
    assert (read["fs"].lower, read["fs"].upper) == (40, 50)
    assert read["Vas"].upper == pytest.approx(0.020)
    assert "# as drawn" in file.read_text("utf-8")
    assert set(read) == {"fs", "Vas", "Re"}
    made = keeping.targets({**said, "file": "", "bands": {"Bl": [5, 6.5], "Mms": [9, 12]}})
    kept = {one.parameter: one.upper for one in opened.targets(place / made["kept"]).targets}
    assert kept == {"Bl": 6.5, "Mms": pytest.approx(0.012)}
    for bands in ({}, {"fs": [50, 40]}, {"fs": ["a", 3]}, {"fs": [1]}, {"x": [1, 2]}):
        with pytest.raises(UsageError):
            keeping.targets({**said, "bands": bands})
    with pytest.raises(UsageError):
        keeping.targets({**said, "file": "../aims.toml"})
