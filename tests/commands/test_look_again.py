"""``freeair show``: what was measured and fitted, looked at once more."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from driver_bench import WOOFER
from invoked import Invoke
from made_archive import write_take


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
    first = plain.stdout.splitlines()[1:3]
    assert any("a woofer" in line for line in first), plain.stdout
    assert "Zmax" not in plain.stdout and "more values" in plain.told
    assert "Zmax" in invoke("fit", take, "--all").stdout


@pytest.mark.parametrize("wrong", ["gone", "text.json"])
def test_what_cannot_be_looked_at(wrong: str, invoke: Invoke) -> None:
    Path("text.json").write_text("{}", "utf-8")
    ran = invoke("show", wrong)
    assert ran.status == 2
    assert wrong in ran.told
