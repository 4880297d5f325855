"""The index of a folder: latest fit and all pages of every unit, whatever they are called."""

from __future__ import annotations

import json
import os
import re
from pathlib import Path
from urllib.parse import unquote

import pytest
from made_fits import Physical, fit_of
from outlined import NASTY, outlined

from cli.report import forms, index
from cli.report.page import page as page_of
from cli.terminal.sections import Section
from fit.results.judge import Target, judge
from fit.results.store import to_json

DRIVER = Physical()
TARGETS = (Target("fs", 48, 44, 50), Target("Bl", 7, lower=6.6))


def keep(path: Path, unit: str, driver: Physical = DRIVER, when: float = 0.0) -> None:
    """Save a fit as it would have been at a time [s]."""
    fit = fit_of(driver)
    path.parent.mkdir(exist_ok=True)
    document = to_json(fit, unit=unit, verdicts=judge(fit.parameters, TARGETS))
    path.write_text(json.dumps(document), encoding="utf-8")
    os.utime(path, (1e9 + when, 1e9 + when))


def page(path: Path, title: str, *units: str) -> None:
    told = [Section("Said", ("well",))]
    forms.write_page(path, page_of(title, f"All of {title}.", told, units))


def read(folder: Path) -> str:
    return (folder / "index.html").read_text(encoding="utf-8")


def test_latest_fit_and_all_pages_of_a_unit(tmp_path: Path) -> None:
    keep(tmp_path / "fits" / "new.json", "Lantern 1", DRIVER.but(Mms=1.44), when=50)
    keep(tmp_path / "old.json", "Lantern 1")
    page(tmp_path / "one.html", "Box", "Lantern 1")
    first = outlined(read(tmp_path)).text
    # fs falls with the root of the mass: 1/1.2.
    fs = fit_of(DRIVER).parameters["fs"].value / 1.2
    written = re.search(r"f s ([\d.]+) ± [\d.]+ Hz", first)
    assert written and float(written[1]) == pytest.approx(fs, rel=1e-3)
    assert "latest of 2 fits" in first
    assert "of 2 targets" in first and "1 unit, 1 page." in first
    page(tmp_path / "two.html", "Coil")
    page(tmp_path / "three.html", "Crossover", "Lantern 1", "Spark")
    page(tmp_path / "four.html", "Spread", "a", "b", "c")
    outline = outlined(read(tmp_path))
    links = [one for one in outline.references if not one.startswith("#")]
    assert sorted(links) == ["./four.html", "./one.html", "./three.html", "./three.html",
                             "./two.html"]  # fmt: skip
    spark = outline.text.partition("Spark")[2]
    assert "no fit is kept here" in spark and "All of Crossover." in spark
    assert '<meta name="freeair-unit"' not in read(tmp_path)


def test_hostile_names_stay_text_and_links_stay_in_the_folder(tmp_path: Path) -> None:
    keep(tmp_path / "fits" / "a.json", NASTY)
    names = ['x" onclick="alert(1).html', "javascript:alert(1).html", "<b>&.html", "a%2fb#c?.html"]
    for name in names:
        page(tmp_path / name, NASTY, NASTY)
    (tmp_path / "loop.html").symlink_to("loop.html")
    os.mkfifo(tmp_path / "waits.html")
    (tmp_path / "foreign.html").write_text("<title>Recipes</title>", encoding="utf-8")
    page(tmp_path / "last.html", "Last", NASTY)
    text = read(tmp_path)
    assert '<script>alert("x")' not in text and 'onclick="' not in text
    links = outlined(text).references
    assert sorted(unquote(one) for one in links) == sorted(
        f"./{name}" for name in [*names, "last.html"]
    )
    assert all(set('#?:"<>') & set(one) == set() for one in links)
    assert "Recipes" not in text


def test_a_page_that_is_not_ours_is_never_replaced(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "index.html").write_text("my own site", encoding="utf-8")
    page(tmp_path / "one.html", "Box", "Lantern 1")
    assert read(tmp_path) == "my own site"
    assert "is not ours and stays" in " ".join(capsys.readouterr().err.split())


def test_a_fit_that_cannot_be_read_is_named(tmp_path: Path) -> None:
    (tmp_path / "fits").mkdir()
    (tmp_path / "fits" / "torn.json").write_text('{"format": "freeair-fit/1", "un')
    (tmp_path / "other.json").write_text("{")  # of another program
    page(tmp_path / "one.html", "Box", "Lantern 1")
    text = outlined(read(tmp_path)).text
    assert "Not to be read: torn.json" in text and "other.json" not in text


def test_who_writes_last_has_seen_all(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Another program's page appears while this one writes: the index is made once more."""
    page(tmp_path / "one.html", "Box", "Lantern 1")
    made = index.content

    def slow(*what: object) -> index.IndexPage:
        found = made(*what)  # type: ignore[arg-type]
        if not (tmp_path / "two.html").exists():
            (tmp_path / "two.html").write_bytes((tmp_path / "one.html").read_bytes())
        return found

    monkeypatch.setattr(index, "content", slow)
    index.refresh(tmp_path)
    assert "./two.html" in outlined(read(tmp_path)).references


@pytest.mark.parametrize("ending", [".pdf", ".md", ".png"])
def test_other_forms_make_no_index(ending: str, tmp_path: Path) -> None:
    page(tmp_path / f"one{ending}", "Box", "Lantern 1")
    assert [one.name for one in tmp_path.iterdir()] == [f"one{ending}"]
