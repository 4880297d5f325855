"""``freeair compare`` at the terminal: the cause first, the plan, every column at any width."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from invoked import Invoke
from made_fits import Physical, fit_of

from cli import save_fit

NEW = Physical()
# fs falls by 1/sqrt(1.2), 8.7 %: from 50.8 Hz to 46.4 Hz (harmonic oscillator).
USED = NEW.but(Cms=1.2)
PLAN = """
format = "freeair-targets/1"
[targets]
fs = "46Hz ± 4%"
Re = "8ohm ± 5%"
"""


@pytest.fixture
def invoke(capsys: pytest.CaptureFixture[str], tmp_path: Path, monkeypatch) -> Invoke:
    monkeypatch.chdir(tmp_path)
    for name, driver in (("new", NEW), ("used", USED)):
        save_fit(fit_of(driver), f"{name}.json", unit="auerhahn")
    Path("plan.toml").write_text(PLAN, "utf-8")
    return Invoke(capsys)


def test_break_in_returns_to_the_plan(invoke: Invoke) -> None:
    ran = invoke("compare", "new.json", "used.json", "--targets", "plan.toml")
    assert ran.status == 0, ran.told
    assert "The suspension is 20 % softer; fs, Qms, Qes, Qts and Vas follow from that." in ran.told
    assert "Against the targets now: inside: fs (was outside); outside: Re." in ran.told
    assert ran.told.index("softer") < ran.told.index("before") < ran.told.index("Against the")
    told = json.loads(
        invoke("compare", "new.json", "used.json", "--targets", "plan.toml", "--json").stdout
    )
    verdicts = {one["parameter"]: one["verdict"] for one in told["verdicts"]}
    assert verdicts == {"fs": "inside", "Re": "outside"}
    page = invoke("compare", "new.json", "used.json", "--targets", "plan.toml", "--report", "p.md")
    assert page.status == 0
    assert "inside: fs (was outside); outside: Re." in Path("p.md").read_text("utf-8")


def test_what_stayed_is_one_line(invoke: Invoke) -> None:
    ran = invoke("compare", "new.json", "used.json")
    rows = [line.split()[0] for line in ran.stdout.splitlines() if line.strip()]
    assert "Cms" in rows and "Mms" not in rows
    (folded,) = (part for part in ran.told.split(". ") if "Unchanged within 5 %: " in part)
    assert {"Re", "Bl", "Mms"} <= set(folded.split(": ", 1)[1].split(".")[0].split(", "))


@pytest.mark.parametrize("columns", [40, 60])
def test_no_column_vanishes_in_a_narrow_window(
    columns: int, invoke: Invoke, monkeypatch: pytest.MonkeyPatch
) -> None:
    words = ("compare", "new.json", "used.json", "--targets", "plan.toml")
    wide = invoke(*words).stdout
    monkeypatch.setenv("COLUMNS", str(columns))
    narrow = invoke(*words).stdout
    assert max(map(len, narrow.splitlines())) <= columns
    assert set(wide.split()) - set(narrow.split()) <= _rules(wide)


def _rules(text: str) -> set[str]:
    return {word for word in text.split() if set(word) == {"─"}}
