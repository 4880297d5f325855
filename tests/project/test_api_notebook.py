"""A session in a notebook: the README's own lines, and how results show themselves there."""

from __future__ import annotations

import re
import runpy
import struct
import warnings
from collections.abc import Iterator
from dataclasses import replace
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import made_fits
import numpy as np
import pytest
from IPython.core.formatters import DisplayFormatter
from IPython.lib.pretty import pretty

import cli
import fit
import meas
from cli.main import run
from meas.errors import Finding

ROOT = Path(__file__).resolve().parents[2]
HOSTILE = '<script>alert("x")</script> & <b>'
AUERHAHN = made_fits.Physical()


@pytest.fixture(scope="module")
def bench_folder(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Path]:
    """Takes of one driver, free and with a mass, as the README's section on measuring leaves."""
    folder = tmp_path_factory.mktemp("notebook")
    with pytest.MonkeyPatch.context() as patch:
        patch.chdir(folder)
        rig = ("bench.toml", "--yes")
        commands = [
            ("rig", "new", "bench.toml", "--device", "simulated", "--series-resistor", "10ohm",
             "--tolerance", "1%", "--woofer", "--sweep-seconds", "2"),
            ("rig", "calibrate", *rig, "--standard", "same-node"),
            ("take", "lantern", "--rig", *rig),
            ("take", "lantern", "--rig", *rig, "--added-mass", "7.5g±0.1g"),
        ]  # fmt: skip
        for words in commands:
            assert run(words) == 0, words
        yield folder


@pytest.fixture(scope="module")
def ran(bench_folder: Path) -> tuple[dict[str, Any], str]:
    """The names that the README's lines leave behind, and what they printed."""
    import contextlib
    import io

    readme = (ROOT / "README.md").read_text(encoding="utf-8")
    (lines,) = re.findall(r"```python\n(.*?)```", readme, flags=re.DOTALL)
    script = bench_folder / "script.py"
    script.write_text(lines, encoding="utf-8")
    out = io.StringIO()
    with contextlib.redirect_stdout(out):
        names = runpy.run_path(str(script))
    return names, out.getvalue()


def test_the_lines_of_the_readme_run(ran: tuple[dict[str, Any], str], bench_folder: Path) -> None:
    names, printed = ran
    lantern = names["lantern"]
    assert isinstance(lantern, fit.DriverFit)
    assert {"Mms", "Bl", "Cms", "Vas", "sensitivity_2v83"} <= lantern.parameters.keys()
    first, second = printed.splitlines()
    number = r"[\d.]+"
    assert re.fullmatch(rf"{number} Hz \(95 %: {number} to {number}\)", first)
    assert re.fullmatch(rf"{number} Hz \(95 %: {number} to {number}\)", second)
    fs, Qes = (lantern.parameters[symbol].value for symbol in ("fs", "Qes"))
    assert float(second.split()[0]) == pytest.approx(fs / Qes, rel=1e-3)
    assert (bench_folder / "lantern.png").read_bytes().startswith(b"\x89PNG")
    assert (bench_folder / "lantern.csv").read_text(encoding="utf-8").startswith("parameter,value,")


def test_a_dozen_lines_are_a_dozen() -> None:
    readme = (ROOT / "README.md").read_text(encoding="utf-8")
    (lines,) = re.findall(r"```python\n(.*?)```", readme, flags=re.DOTALL)
    assert len([line for line in lines.splitlines() if line.strip()]) <= 12


def test_the_same_numbers_as_the_program(
    ran: tuple[dict[str, Any], str], bench_folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Same takes, same words: same values, same uncertainties, same identities of errors."""
    monkeypatch.chdir(bench_folder)
    takes = sorted(str(path) for path in Path("takes").glob("lantern_*"))
    told = ("--diameter", "118mm±1mm", "--air-pressure", "1002hPa±10hPa")
    assert run(("fit", *takes, *told, "--save", "by-program.json")) == 0
    program = cli.load_fit("by-program.json")
    order = sorted(ran[0]["takes"], key=lambda take: take.condition.name, reverse=True)
    alone = fit.fit_driver([fit.of_take(take) for take in order], ran[0]["bench"])
    here = fit.as_held(alone, "magnet-down", "lantern")
    assert here.parameters.keys() == program.parameters.keys()
    for symbol, estimate in program.parameters.items():
        mine = here.parameters[symbol]
        # The pairs are decimal, the program's values went through units: rounding only.
        assert mine.value == pytest.approx(estimate.value, rel=1e-9), symbol
        assert mine.interval_95 == pytest.approx(estimate.interval_95, rel=1e-6), symbol
        assert mine.contributions.keys() == estimate.contributions.keys(), symbol
    compared = fit.compare_fits(program, cli.load_fit("lantern-python.json"))
    assert {change.verdict for change in compared.changes} <= {"unchanged", "undecided"}


# How results show themselves.


class Cells(HTMLParser):
    """Tags and texts of a page."""

    def __init__(self, html: str) -> None:
        super().__init__()
        self.tags: set[str] = set()
        self.texts: list[str] = []
        self.feed(html)

    def handle_starttag(self, tag: str, attrs: object) -> None:
        self.tags.add(tag)

    def handle_data(self, data: str) -> None:
        self.texts.append(data)


def shown(thing: object) -> dict[str, Any]:
    """What a notebook is handed for the last value of a cell."""
    data, _ = DisplayFormatter().format(thing)
    assert data["text/plain"]
    return dict(data)


def test_a_fit_shows_its_parameters_and_doubts() -> None:
    fitted = replace(
        made_fits.fit_of(AUERHAHN), warnings=(Finding("poor-ruler", "the ruler decides"),)
    )
    page = Cells(shown(fitted)["text/html"])
    assert {"Mms", "14.00", "g", "moving mass"} <= set(page.texts)
    assert any("mass:7.5g±0.1g in words" in text for text in page.texts)
    assert "the ruler decides" in page.texts
    low = next(text for text in page.texts if text.startswith("13.7"))
    # 1.96 x hypot(0.77 %, 0.2 %) of 14 g is 0.22 g.
    assert low == "13.78 to 14.22"


def test_a_comparison_shows_its_verdicts() -> None:
    compared = fit.compare_fits(
        made_fits.fit_of(AUERHAHN), made_fits.fit_of(AUERHAHN.but(Cms=1.2)), names=("new", "12 h")
    )
    page = Cells(shown(compared)["text/html"])
    assert {"new", "12 h", "changed", "Cms", "+20.0 %"} <= set(page.texts)


def test_curves_and_takes_say_what_they_are(ran: tuple[dict[str, Any], str]) -> None:
    take = ran[0]["takes"][0]
    page = Cells(shown(take)["text/html"])
    assert {"lantern (driver)", "usable"} <= set(page.texts)
    curve = Cells(shown(take.curve)["text/html"])
    assert any(f"{take.curve.frequency_hz.size} points" in text for text in curve.texts)
    refused = replace(take, findings=(Finding("clipped", "too loud", refuses=True),), curve=None)
    assert "refused: no number may be derived from it" in Cells(shown(refused)["text/html"]).texts
    size = meas.MagnitudeCurve(np.array([10.0, 20.0]), np.array([6.0, 7.0]))
    assert "2 points, 10 Hz to 20 Hz, magnitude only" in Cells(shown(size)["text/html"]).texts
    fitted = Cells(shown(ran[0]["lantern"].curves[0])["text/html"])
    assert "added-mass" in fitted.texts


def test_hostile_names_stay_text(ran: tuple[dict[str, Any], str]) -> None:
    """Units, labels, sources and findings come out of files that anybody may have written."""
    one = made_fits.fit_of(AUERHAHN)
    curve = replace(one.curves[0], source=HOSTILE)
    fitted = replace(
        one,
        model=HOSTILE,
        curves=(curve,),
        parameters={HOSTILE: replace(one.parameters["fs"], unit=HOSTILE), **one.parameters},
        sources=dict.fromkeys(made_fits.SOURCES, HOSTILE),
        warnings=(Finding(HOSTILE, HOSTILE),),
    )
    take = replace(
        ran[0]["takes"][0], unit=HOSTILE, label=HOSTILE, findings=(Finding(HOSTILE, HOSTILE),)
    )
    measured = replace(
        take.curve, systematics=(meas.Systematic("x", HOSTILE, take.curve.impedance_ohm),)
    )
    compared = fit.compare_fits(one, one, names=(HOSTILE, HOSTILE))
    ours = {"table", "thead", "tbody", "tr", "th", "td", "p", "br"}
    for thing in (fitted, curve, take, measured, compared, fitted.parameters[HOSTILE]):
        page = Cells(shown(thing)["text/html"])
        assert page.tags <= ours | ({"b"} if "Doubts" in page.texts else set())
        assert HOSTILE in "".join(page.texts)


def test_an_estimate_reads_as_a_sentence() -> None:
    known = made_fits.fit_of(AUERHAHN).parameters
    assert str(known["Mms"]) == "14.00 g (95 %: 13.78 to 14.22)"
    assert re.match(r"0\.580\d* \(95 %", str(known["Qts"]))  # no unit, no blank in its place
    assert f"{known['sensitivity_2v83']}".split()[1] == "dB"
    exact = replace(known["Re"], contributions={})
    assert str(exact) == "6.2 Ω"
    assert shown(known["Re"])["text/html"].startswith("6.2")
    assert pretty(known["Re"])


def test_a_picture_shows_itself_without_pyplot() -> None:
    one, other = made_fits.fit_of(AUERHAHN), made_fits.fit_of(AUERHAHN.but(Cms=1.2))
    for picture in (cli.plot_fit(one), cli.plot_motion(one), cli.plot_change(one, other)):
        png = shown(picture)["image/png"]
        assert png.startswith(b"\x89PNG")
        wide, high = struct.unpack(">II", png[16:24])
        assert wide > 600
        assert high > 200
        assert all(axes.get_ylabel() for axes in picture.figure.axes)


def test_a_picture_is_saved_once(tmp_path: Path) -> None:
    picture = cli.plot_fit(made_fits.fit_of(AUERHAHN))
    for name in ("fit.png", "fit.svg"):
        picture.save(tmp_path / name)
        with pytest.raises(meas.UsageError, match="not overwritten"):
            picture.save(tmp_path / name)
    with pytest.raises(meas.UsageError, match="no kind of picture"):
        picture.save(str(tmp_path / "fit.bmp"))


def test_no_warning_hides_in_the_example(bench_folder: Path) -> None:
    """A calibrated bench of the simulated kind has no doubts; the example shows no noise."""
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        for path in (bench_folder / "takes").glob("lantern_*"):
            fit.of_take(meas.load_take(path))
