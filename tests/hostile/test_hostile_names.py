"""Names from outside are text, wherever they come out: pages, pictures, terminals, other formats.

A name of a unit, a take's label, a file or a finding may hold anything: markup, formulas of a
spreadsheet or of matplotlib, commands of a terminal or of a simulator, bytes that are no text.
"""

from __future__ import annotations

import csv
import io
import json
import os
import re
import unicodedata
from dataclasses import replace
from html.parser import HTMLParser
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from invoked import Invoke
from made_fits import Physical, curve, fit_of

from cli.pictures import plots
from cli.report import comparison_page, fit_page, forms
from cli.report.comparison_page import Compared
from cli.report.parts import render
from cli.sources.states import DriverState
from cli.terminal import show
from fit.compare.changes import compare
from fit.results import store
from fit.results.judge import Target, judge
from fit.results.quantities import shown
from meas.curve import ImpedanceCurve
from meas.errors import Finding
from meas.files.outside_text import harmless
from meas.tables import csv_table, touchstone

MARKUP = [
    "<script>alert(1)</script>", '"><img src=x onerror=alert(1)>', "</script><script>x()</script>",
    "' onmouseover='x()", "</style><b>", "</title></svg><iframe>", "<!-- a", "]]><x/>", "&lt;b&gt;",
    "{{ 7 * 7 }}{% raw %}", "a\u2028b\u2029c", "<svg/onload=x()>", "javascript:x()", "\\u003cb>",
    "$\\frac{", "$x^2$", "$$", "%s%n{0}", "_hidden", "__", "\u202edrawkcab", "e\u0301\u0301",
]  # fmt: skip
CONTROL = ["\x1b[2J\x1b[31mred", "\x9b31m", "a\x07\x08b", "\x1b]0;title\x07", "a\rb", "\x7f\x00"]
UNDECODED = os.fsdecode(b"caf\xe9")  # a file's name in an older encoding
DRIVER = Physical()
AIMS = (Target("fs", 48, 44, 52), Target("Bl", 7, lower=6.6))


class Skeleton(HTMLParser):
    """Elements with the names of their attributes, scripts' data, and the text."""

    def __init__(self, page: str) -> None:
        super().__init__()
        self.elements: list[tuple[str, ...]] = []
        self.references: list[str] = []
        self.data: list[str] = []
        self.words: list[str] = []
        self._in_data = False
        self.feed(page)
        self.close()

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.elements.append((tag, *(name for name, _ in attrs)))
        named = dict(attrs)
        self._in_data = tag == "script" and named.get("type") == "application/json"
        self.references += [v or "" for n, v in attrs if n in ("href", "src", "xlink:href")]

    def handle_data(self, data: str) -> None:
        (self.data if self._in_data else self.words).append(data)

    def handle_endtag(self, tag: str) -> None:
        self._in_data = False


def _fit_page(name: str) -> str:
    first, second = curve(DRIVER, source=name), curve(DRIVER, source=f"2 {name}")
    sources = {source: f"{name} {source}" for source in fit_of(DRIVER).sources}
    fit = replace(fit_of(DRIVER), curves=(first, second), sources=sources)
    page = fit_page.content(
        fit, unit=name, verdicts=judge(fit.parameters, AIMS),
        findings=[Finding("stiff", f"because {name}", next_step=f"ask {name}")],
        warnings=[Finding(name, name)],
        origin=fit_page.Origin(None, ((name, name),)),
    )  # fmt: skip
    return render("page.html.j2", page)


def _comparison_page(name: str) -> str:
    return render("page.html.j2", comparison_page.content(_compared(name)))


def _compared(name: str) -> Compared:
    later = fit_of(DRIVER.but(Cms=1.1))
    states = (DriverState(name, name, fit_of(DRIVER)), DriverState(f"{name} 2", name, later))
    step = compare(states[0].fit, states[1].fit)
    return Compared(f"of {name}", states, (step,), same_unit=True)


@pytest.mark.parametrize("make", [_fit_page, _comparison_page])
def test_pages_hold_no_element_out_of_a_name(make):
    """Element for element and attribute for attribute the page of any name is that of a plain one.

    All names at once, in one name: whatever of them got through would show.
    """
    plain = Skeleton(make("lantern"))
    hostile = " ".join([*MARKUP, *(c.replace("\r", "") for c in CONTROL)])
    page = make(hostile)
    nasty = Skeleton(page)
    assert nasty.elements == plain.elements
    assert all(reference.startswith("#") for reference in nasty.references)
    text = " ".join("".join(nasty.words).split())
    for name in MARKUP[:3]:
        assert name in text
    for data in nasty.data:
        json.loads(data)
        assert not re.search("[<>&]", data)
    assert len(plain.data) == len(nasty.data) == 1


def test_a_symbol_out_of_a_saved_fit_is_no_markup():
    """Symbols of coil models that nobody knows come out of files."""
    assert "<" not in shown("<b>L</b>", "H").markup
    document = store.to_json(fit_of(DRIVER), unit="x")
    for key in ("<img src=x>", "=1+1", "a,b", "a\nb", "", "9", "x" * 100):
        parameters = {**document["parameters"], key: document["parameters"]["Re"]}
        with pytest.raises(Exception, match="match pattern"):
            store.from_json({**document, "parameters": parameters})
    for model in ("a\n=b", "<b>", "=x", "a,b"):
        with pytest.raises(Exception, match="match pattern"):
            store.from_json({**document, "model": model})


@pytest.mark.parametrize("form", [".pdf", ".png", ".md"])
def test_other_forms_of_reports_bear_any_name(form, tmp_path):
    name = " ".join([*MARKUP, *CONTROL, UNDECODED])
    path = tmp_path / f"r{form}"
    forms.write_page(path, comparison_page.content(_compared(name)))
    assert path.stat().st_size > 500
    if form == ".md":
        text = path.read_text(encoding="utf-8")
        assert not re.search(r"(?<!\\)<", text)  # CommonMark: a backslash makes it literal


@pytest.mark.parametrize("name", [*MARKUP, *CONTROL, UNDECODED])
def test_pictures_show_names_as_they_are(name):
    """SVG is XML: nothing out of a name may end an element, and none is read as a formula."""
    from xml.etree import ElementTree

    with plots.drawing(3, 4) as figure:
        axes = figure.subplots()
        axes.plot([1, 2], [1, 2], label=plots.short_name(name))
        axes.set_title(plots.short_name(name))
        axes.legend()
        legend = axes.get_legend()
        assert len(legend.get_texts()) == 1
        svg = plots.svg_text(figure, "x")
    root = ElementTree.fromstring(svg)
    inside = ["".join(one.itertext()) for one in root.iter() if one.tag.endswith("}text")]
    expected = harmless(name).encode("utf-8", "replace").decode()
    assert " ".join(expected.split()) in {" ".join(text.split()) for text in inside}


def _fits(folder: Path, name: str) -> Path:
    fit = fit_of(DRIVER, model="plain")
    path = folder / "fit.json"
    path.write_text(json.dumps(store.to_json(fit, unit=name)), encoding="utf-8")
    return path


FORMULAS = ['=cmd|" /C calc"!A0', "+1+1", "-2+3", "@SUM(1)", "x,=1+1", 'x;"=1+1', "x\t@a",
            "\r=1"]  # fmt: skip


@pytest.mark.parametrize("name", [*FORMULAS, "a\nb,=1", "left, -3 dB"])
def test_no_cell_of_an_exported_table_is_a_formula(name, invoke, tmp_path):
    """Spreadsheets run cells that begin with =, +, - or @ (OWASP, CSV Injection)."""
    assert invoke("export", _fits(tmp_path, name), "--csv", tmp_path / "a.csv").status == 0
    text = (tmp_path / "a.csv").read_text(encoding="utf-8")
    comments = csv_table.as_text(CURVE, (f"unit: {name}",)).splitlines()
    lines = [*text.splitlines(), comments[0]]
    assert comments[1].startswith("frequency_hz")
    for delimiter in ",;\t":
        for row in csv.reader(lines, delimiter=delimiter):
            for cell in row:
                bare = cell.strip().strip("\"' ") if cell.strip()[:1] == '"' else cell.strip()
                number = re.fullmatch(r"-?[0-9.e-]+(,.*)?", bare)
                assert number or bare[:1] not in ("=", "+", "-", "@"), (delimiter, cell)


CURVE = ImpedanceCurve(np.array([10.0, 20.0]), np.array([6 + 1j, 7 - 2j]), np.array([0.1, 0.1]))
BREAKS = ["x\n.include /etc/passwd", "a\r\n.control\nshell ls", "a\x0bb\x0c.end", "a\x85.end",
          "a\u2028.end", "\n# HZ S RI R 50", "!\n1 2 3", "[End]\n", "+ y"]  # fmt: skip


@pytest.mark.parametrize("name", BREAKS)
def test_no_line_of_a_circuit_or_one_port_comes_from_a_name(name, invoke, tmp_path):
    path = _fits(tmp_path, name)
    words = ["--spice", tmp_path / "a.cir", "--touchstone", tmp_path / "a.s1p"]
    assert invoke("export", path, *words).status == 0
    plain = tmp_path / "plain"
    plain.mkdir()
    words = ["--spice", plain / "a.cir", "--touchstone", plain / "a.s1p"]
    assert invoke("export", _fits(plain, "lantern"), *words).status == 0
    for file in ("a.cir", "a.s1p"):
        lines, expected = ((f / file).read_text().splitlines() for f in (tmp_path, plain))
        assert len(lines) == len(expected)
        clean = re.sub(r"\W", "_", name, flags=re.ASCII)
        for line, other in zip(lines, expected, strict=True):
            if not line.startswith(("*", "!")):
                assert line == other.replace("lantern", clean)
    text = touchstone.as_text(CURVE, comments=(f"unit: {name}",))
    assert touchstone.from_text(text, "x").frequency_hz.tolist() == [10.0, 20.0]
    assert text.splitlines()[1] == "# HZ Z RI R 1"


@given(st.text(alphabet=st.characters(categories=["C", "Z", "P", "L"]), max_size=40))
@settings(max_examples=150, deadline=None, derandomize=True)
def test_nothing_printed_steers_a_terminal(name):
    """ECMA-48 controls and directional overrides come out as one replacement character each."""
    clean = harmless(name)
    assert len(clean) == len(name)
    steering = {c for c in clean if unicodedata.category(c) == "Cc"} - {"\n", "\t"}
    assert not steering
    assert not {"\u202e", "\u202a", "\u2066"} & set(clean)
    assert all(a in (b, "\N{REPLACEMENT CHARACTER}") for a, b in zip(clean, name, strict=True))


@pytest.mark.parametrize("name", ["\x1b[2J\x9b31m\x07", UNDECODED])
def test_the_terminal_shows_names_and_obeys_none(name, invoke, tmp_path):
    """A unit, a file and a label that steer the terminal, in words, tables and errors."""
    before, after = tmp_path / "a", tmp_path / "b"
    before.mkdir()
    after.mkdir()
    first, second = _fits(before, name.encode("utf-8", "replace").decode()), _fits(after, "x")
    told = [
        invoke("compare", first, second),
        invoke("fit", tmp_path / f"no{name.replace(chr(0), '')}such.csv"),
        invoke("frobnicate" + name.replace("\0", "")),
        invoke("fit", first, "--unit", name),
    ]
    for ran in told:
        assert not re.search("[\x00-\x08\x0b-\x1f\x7f-\x9f\u202e]", ran.stdout + ran.stderr)
    assert "bold red" in invoke("fit", "[bold red]x.csv").told  # nor rich's own markup


def test_rich_obeys_no_text_of_any_kind(capsys):
    """What was made without the console's own rendering is cleaned on its way out."""
    from rich.table import Table
    from rich.text import Text

    made = Table("a\x1b[31mb")
    made.add_row(Text("c\x9bd"), "e\x1b]0;f\x07")
    show.say(made, Text("g\x1bh"), "i\x1bj")
    out = capsys.readouterr().out
    assert not re.search("[\x00-\x08\x0b-\x1f\x7f-\x9f]", out)
    assert "g" in out and "i" in out


@pytest.fixture
def invoke(capsys: pytest.CaptureFixture[str]) -> Invoke:
    return Invoke(capsys)


def test_scripts_get_lines_as_they_are(capsys, monkeypatch):
    """A path on standard output is for scripts, exactly; on a terminal it steers nothing."""
    show.line("a\x1bb")
    assert capsys.readouterr().out == "a\x1bb\n"

    class Terminal(io.StringIO):
        def isatty(self) -> bool:
            return True

    import sys

    screen = Terminal()
    monkeypatch.setattr(sys, "stdout", screen)
    show.line("a\x1bb")
    assert screen.getvalue() == "a\N{REPLACEMENT CHARACTER}b\n"
