"""``freeair show``: what was measured and fitted, looked at once more."""

from __future__ import annotations

import json
import os
import sys
from pathlib import Path

import pexpect
import pytest
from driver_bench import WOOFER
from invoked import Invoke
from made_archive import write_take
from program import ROOT


@pytest.fixture
def invoke(capsys: pytest.CaptureFixture[str], tmp_path: Path, monkeypatch) -> Invoke:
    monkeypatch.chdir(tmp_path)
    return Invoke(capsys)


def test_a_take_and_its_fit(invoke: Invoke, tmp_path: Path) -> None:
    take = write_take(tmp_path, "lantern", WOOFER, points=300)
    seen = invoke("show", take)
    assert seen.status == 0, seen.told
    assert "peak" in seen.told and "Roughly: fs" in seen.told
    rough = float(seen.told.split("Roughly: fs ")[1].split(" Hz")[0])
    fitted = invoke("fit", take, "--save", "lantern.json", "--all")
    assert fitted.status == 0, fitted.told
    again = invoke("show", "lantern.json")
    assert again.status == 0, again.told
    row = next(line for line in fitted.stdout.splitlines() if line.startswith("fs "))
    assert row in again.stdout
    saved = json.loads(Path("lantern.json").read_text("utf-8"))
    assert json.loads(invoke("show", "lantern.json", "--json").stdout) == saved
    # Two digits, and |Z| peaks a little beside fs because of the coil.
    assert rough == pytest.approx(saved["parameters"]["fs"]["value"], rel=0.03)


def test_the_usual_values_come_first_and_the_rest_on_request(
    invoke: Invoke, tmp_path: Path
) -> None:
    take = write_take(tmp_path, "lantern", WOOFER, points=300)
    plain = invoke("fit", take)
    assert plain.status == 0, plain.told
    first = plain.stdout.index("a woofer")
    assert first < plain.stdout.index("limited most by"), plain.stdout
    assert "Zmax" not in plain.stdout and "more values" in plain.told
    assert "Zmax" in invoke("fit", take, "--all").stdout


@pytest.mark.parametrize("wrong", ["gone", "text.json"])
def test_what_cannot_be_looked_at(wrong: str, invoke: Invoke) -> None:
    Path("text.json").write_text("{}", "utf-8")
    ran = invoke("show", wrong)
    assert ran.status == 2
    assert wrong in ran.told


def test_a_fit_is_kept_beside_its_takes_unless_told_not_to(invoke: Invoke, tmp_path: Path) -> None:
    take = write_take(tmp_path / "takes", "lantern", WOOFER, points=300)
    kept = tmp_path / "fits" / "lantern-fit.json"
    assert invoke("fit", take, "--no-keep").status == 0
    assert "parameters" in json.loads(invoke("fit", take, "--json").stdout)
    assert not kept.exists()
    first = invoke("fit", take)
    assert first.stdout.splitlines()[-1] == f"Fit: {kept}"
    assert invoke("show", kept).status == 0
    before = kept.read_bytes()
    assert f"Fit: {kept}" in invoke("fit", take).stdout, "the same fit is kept once"
    other = invoke("fit", take, "--diameter", "118mm").stdout
    assert other.splitlines()[-1] == f"Fit: {kept.with_name('lantern-fit-2.json')}"
    assert kept.read_bytes() == before
    assert len(list(kept.parent.glob("*.json"))) == 2


def test_a_page_is_shown_where_there_is_a_desktop(
    invoke: Invoke, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    opened: list[str] = []
    monkeypatch.setattr("webbrowser.open", lambda address: opened.append(address) or True)
    for name in ("SSH_CONNECTION", "SSH_TTY", "DISPLAY", "WAYLAND_DISPLAY"):
        monkeypatch.delenv(name, raising=False)
    monkeypatch.setattr("sys.platform", "linux")
    take = write_take(tmp_path, "lantern", WOOFER, points=300)
    assert invoke("fit", take, "--open").status == 2
    without = invoke("fit", take, "--report", "one.html", "--open")
    assert without.status == 0 and "open one.html in a browser yourself" in without.told
    assert not opened
    monkeypatch.setenv("DISPLAY", ":0")
    assert invoke("fit", take, "--report", "two.html", "--open").status == 0
    assert opened == [Path("two.html").resolve().as_uri()]
    monkeypatch.setenv("SSH_CONNECTION", "10.0.0.2 50000 10.0.0.1 22")
    assert invoke("fit", take, "--report", "three.html", "--open").status == 0
    assert len(opened) == 1


def test_the_numbers_are_what_is_left_on_thirty_rows(tmp_path: Path) -> None:
    """Headline and usual values, below all notes, causes, doubts and verdicts."""
    free = write_take(tmp_path, "lantern", WOOFER, points=300)
    (tmp_path / "targets.toml").write_text(
        'format = "freeair-targets/1"\n[targets]\nfs = "20Hz ± 5%"\nQts = "1.2 ± 5%"\n'
        'Re = "3ohm ± 5%"\nMms = "20g ± 5%"\nCms = "2mm/N ± 5%"\n',
        "utf-8",
    )
    words = ("fit", str(free), "--targets", "targets.toml", "--diameter", "118mm")
    screen = pexpect.run(
        f"{sys.executable} -m cli.main {' '.join(words)}",
        cwd=str(tmp_path), timeout=120, encoding="utf-8", dimensions=(30, 80),
        env={**os.environ, "PYTHONPATH": str(ROOT), "LANG": "C.UTF-8", "TERM": "dumb"},
    )  # fmt: skip
    lines = [line.rstrip() for line in screen.rstrip().splitlines()]
    assert len(lines) > 30, screen
    left = lines[-30:]
    assert any(": a woofer" in line for line in left), screen
    assert any("above plan" in line for line in left)
    assert {"Re", "fs", "Qms", "Qes", "Qts"} <= {line.split(" ")[0] for line in left}
    assert left[-1].startswith("Fit: ")
