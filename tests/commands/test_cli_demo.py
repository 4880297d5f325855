"""The demo tells the whole job and leaves what it says."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from program import freeair


@pytest.fixture(scope="module")
def told(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, str]:
    folder = tmp_path_factory.mktemp("demo") / "story"
    done = freeair("demo", "--out", folder)
    assert done.returncode == 0, done.stderr
    assert "Traceback" not in done.stderr
    return folder, done.stdout


def test_ends_with_the_path_of_a_report(told: tuple[Path, str]) -> None:
    folder, out = told
    page = Path(out.splitlines()[-1])
    assert page.parent == folder
    assert "<!doctype html>" in page.read_text(encoding="utf-8")


def test_tells_every_step_as_a_command(told: tuple[Path, str]) -> None:
    _, out = told
    commands = [line[2:] for line in out.splitlines() if line.startswith("$ ")]
    for start in (
        "freeair targets new", "freeair rig new", "freeair rig level", "freeair rig calibrate",
        "freeair rig check", "freeair take", "freeair fit", "freeair compare",
    ):  # fmt: skip
        assert any(command.startswith(start) for command in commands), start


def test_judgement_names_what_was_built_in(told: tuple[Path, str]) -> None:
    """The Lantern's spider is too stiff: compliance and resonance miss, mass and motor do not."""
    folder, _ = told
    document = json.loads((folder / "lantern-new.json").read_text())
    verdicts = {v["parameter"]: v["verdict"] for v in document["verdicts"]}
    assert verdicts["Cms"] == verdicts["fs"] == "outside"
    assert verdicts["Mms"] == verdicts["Bl"] == verdicts["Re"] == "inside"
    assert "stiff-suspension" in {finding["code"] for finding in document["findings"]}


def test_values_hold_the_truth_of_the_story(told: tuple[Path, str]) -> None:
    from cli.demo import BROKEN_IN, NEW

    folder, _ = told
    for name, true in (("lantern-new", NEW), ("lantern-12-h", BROKEN_IN)):
        found = json.loads((folder / f"{name}.json").read_text())["parameters"]
        for symbol, key in (("Re", "Re_ohm"), ("fs", "fs_hz"), ("Qms", "Qms"), ("Qes", "Qes"),
                            ("Mms", "Mms_kg")):  # fmt: skip
            low, high = found[symbol]["interval_95"]
            assert low <= true[key] <= high, (name, symbol)


def test_everything_lies_in_the_folder(told: tuple[Path, str]) -> None:
    folder, _ = told
    made = {path.name for path in folder.iterdir()}
    assert made == {
        "bench.toml", "lantern-targets.toml", "takes", "lantern-new.json", "lantern-12-h.json",
        "lantern.html", "lantern-break-in.html", "index.html",
    }  # fmt: skip


def test_existing_folder_is_left_alone(tmp_path: Path) -> None:
    from cli.demo import _fresh

    wanted = tmp_path / "story"
    wanted.mkdir()
    (wanted / "mine.txt").write_text("mine")
    assert _fresh(wanted) == tmp_path / "story-2"
    assert _fresh(wanted) == tmp_path / "story-3"
    assert [path.name for path in wanted.iterdir()] == ["mine.txt"]
