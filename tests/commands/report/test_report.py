"""The page: self-contained, complete without scripts, safe with any name, right numbers."""

from __future__ import annotations

import math
import re
import subprocess
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from made_fits import Physical, curve, fit_of
from outlined import NASTY, outlined
from rich.console import Console

from cli.report import comparison_page, fit_page, forms
from cli.report.comparison_page import Compared
from cli.report.parts import render, strip
from cli.sources.states import DriverState
from cli.terminal import tables
from fit.box.circuit import Air
from fit.compare.changes import compare
from fit.compare.pair import pairs
from fit.compare.trend import trend
from fit.results.judge import Target, judge
from fit.results.result import DriverFit, Estimate
from fit.results.store import to_json
from meas.bench.rig import Rig, Wiring
from meas.errors import Finding, UsageError

DRIVER = Physical()
TARGETS = (Target("fs", 48, 44, 52), Target("Bl", 7, lower=6.6), Target("Re", 6.2, 5.9, 6.25))


def page_of(fit: DriverFit, unit: str = "Lantern", rig: Rig | None = None, **more: Any) -> str:
    what: dict[str, Any] = {
        "verdicts": judge(fit.parameters, TARGETS),
        "findings": [Finding("stiff-suspension", f"compliance is low {NASTY}")],
        "warnings": [Finding("hum", "some hum")],
        "origin": fit_page.Origin(rig, (("Bench", "in the shed"),)),
    }
    return render("page.html.j2", fit_page.content(fit, unit=unit, **(what | more)))


def page_of_change(compared: Compared) -> str:
    return render("page.html.j2", comparison_page.content(compared))


@pytest.fixture(scope="module")
def fit() -> DriverFit:
    heavier = replace(DRIVER, Mms=DRIVER.Mms + 7.5e-3)
    loaded = curve(heavier, condition="added-mass", value=7.5e-3, source=NASTY)
    return replace(fit_of(DRIVER), curves=(curve(DRIVER), loaded))


@pytest.fixture(scope="module")
def page(fit: DriverFit) -> str:
    return page_of(fit, rig=Rig(name="shed", wiring=Wiring(series_resistor_ohm=10)))


def test_needs_nothing_from_outside(page: str) -> None:
    outline = outlined(page)
    assert all(reference.startswith("#") for reference in outline.references)
    assert not re.search(r"@import|url\((?!['\"]?#)", page)
    assert "default-src 'none'" in page  # nor may the browser fetch anything
    assert len(page.encode()) < 2_000_000


def test_identifiers_are_unique_and_references_meet_them(page: str) -> None:
    outline = outlined(page)
    assert len(outline.ids) == len(set(outline.ids))
    used = {r[1:] for r in outline.references} | set(re.findall(r"url\(#([^)]+)\)", page))
    assert used <= set(outline.ids)


def test_text_from_outside_is_escaped(page: str, fit: DriverFit) -> None:
    for text in (page, page_of(fit, unit=NASTY)):
        assert '<script>alert("x")' not in text
    assert NASTY in outlined(page_of(fit, unit=NASTY)).text


def test_result_comes_first_and_all_is_there(page: str) -> None:
    text = outlined(page).text
    order = [
        "Lantern", "a woofer for", "is below plan",
        "Is it what was meant?", "Why, and what to try next", "compliance is low", "Doubts",
        "some hum", "The curves", "Parameters", "How it was measured", "resistor 10 Ω",
        "in the shed", "Before you measure again", "Tweeters die",
    ]  # fmt: skip
    places = [text.find(piece) for piece in order]
    assert -1 not in places, dict(zip(order, places, strict=True))
    assert places == sorted(places)


def test_numbers_are_those_of_the_fit(page: str) -> None:
    text = outlined(page).text
    low, high = fit_of(DRIVER).parameters["Mms"].interval_95
    assert "14.00 g" in text
    assert f"{low * 1e3:.2f} … {high * 1e3:.2f}" in text
    assert "94 % mass:7.5g±0.1g in words" in text  # 0.77² / (0.77² + 0.2²)


def test_pictures_are_described_and_follow_the_page(page: str) -> None:
    for label in re.findall(r'<svg class="(?:plot|wiring|strip)"[^>]*>', page):
        assert 'role="img"' in label and re.search(r'aria-label="[^"]+"', label)
    # Drawn colours are the page's, so that a dark one stays readable.
    inside = page[page.index("<main") :]
    assert not re.search(r"(?<!, )#1b1f24", inside, re.IGNORECASE)
    assert "var(--curve-1" in inside
    assert "prefers-color-scheme: dark" in page


def test_without_targets_and_rig(fit: DriverFit) -> None:
    origin = fit_page.Origin(None, ())
    page = page_of(fit, "x", verdicts=(), findings=(), warnings=(), origin=origin)
    text = outlined(page).text
    assert "Is it what was meant?" not in text
    assert "Why, and what to try next" not in text
    assert "Before you measure again" not in text
    assert "51 Hz, Qts 0.58, 14 g: a woofer for" in text


@pytest.mark.parametrize(
    ("target", "estimate"),
    [
        (Target("fs", 50, 40, 60), Estimate(50, "Hz", {"a": 1.0})),
        (Target("fs", 50, 40, 60), Estimate(95, "Hz", {"a": 1.0})),
        (Target("fs", 50, 40, 60), Estimate(12, "Hz", {"a": 4.0})),
        (Target("fs", 50, lower=40), Estimate(50, "Hz", {"a": 1.0})),
        (Target("fs", 50, upper=60), Estimate(70, "Hz", {"a": 1.0})),
        (Target("fs", 50, 49.99, 50.01), Estimate(300, "Hz", {"a": 1.0})),
        (Target("fs", 50, 40, 60), None),
    ],
)
def test_strip_is_drawn_to_scale(target: Target, estimate: Estimate | None) -> None:
    drawn = strip(target, estimate, "words")
    assert all(0 <= edge.x <= 360 for edge in drawn.edges)
    assert drawn.band[0] < drawn.band[1]
    if estimate is None:
        assert drawn.value is None
        return
    assert drawn.value is not None and drawn.meant is not None
    assert 0 <= drawn.reach[0] < drawn.value < drawn.reach[1] <= 360
    per_hertz = (drawn.value - drawn.meant) / (estimate.value - target.target or 1)
    if estimate.value != target.target:
        for edge, limit in zip(
            drawn.edges, [v for v in (target.lower, target.upper) if v is not None], strict=True
        ):
            expected = drawn.meant + per_hertz * (limit - target.target)
            assert edge.x == pytest.approx(expected, abs=0.05)


def luminance(colour: str) -> float:
    """Relative luminance (WCAG 2.2)."""
    parts = [int(colour[k : k + 2], 16) / 255 for k in (1, 3, 5)]
    linear = [p / 12.92 if p <= 0.04045 else ((p + 0.055) / 1.055) ** 2.4 for p in parts]
    return sum(w * part for w, part in zip((0.2126, 0.7152, 0.0722), linear, strict=True))


def themes(page: str) -> dict[str, dict[str, str]]:
    """The custom properties in light, dark and print."""
    roots = re.findall(r":root \{(.*?)\}", page, re.DOTALL)
    found = []
    for block in roots:
        pairs = re.findall(r"--([\w-]+): (#[0-9a-f]{3,6})", block)
        expanded = {n: c if len(c) == 7 else "#" + "".join(2 * x for x in c[1:]) for n, c in pairs}
        found.append({**(found[0] if found else {}), **expanded})
    return dict(zip(("light", "dark", "print"), found, strict=True))


@pytest.mark.parametrize("theme", ["light", "dark", "print"])
def test_contrast(page: str, theme: str) -> None:
    """WCAG 2.2: 4.5 for text (1.4.3), 3 for what carries meaning in graphics (1.4.11)."""
    colours = themes(page)[theme]

    def contrast(one: str, other: str) -> float:
        bright, dim = sorted((luminance(colours[one]), luminance(colours[other])), reverse=True)
        return (bright + 0.05) / (dim + 0.05)

    for ground in ("paper", "card"):
        for ink in ("ink", "soft", "inside", "outside", "undecided", "changed"):
            assert contrast(ink, ground) >= 4.5, (ink, ground)
    for number in (1, 2, 3):  # further curves differ by line style as well
        assert contrast(f"curve-{number}", "card") >= 3.0, number


def test_comparison_page() -> None:
    before, after = fit_of(DRIVER), fit_of(DRIVER.but(Cms=1.2))
    states = [DriverState("new", NASTY, before), DriverState("12 h", NASTY, after)]
    steps = [compare(before, after, names=("new", "12 h"))]
    page = page_of_change(Compared(NASTY, tuple(states), tuple(steps), same_unit=True))
    outline = outlined(page)
    assert '<script>alert("x")' not in page
    assert all(reference.startswith("#") for reference in outline.references)
    for piece in ("what changed", "new → 12 h", "+20.0 %", "changed", "Unchanged within 5 %: "):
        assert piece in outline.text, piece


HOURS = (0.0, 1.0, 3.0, 8.0, 24.0)


def series() -> Compared:
    """A driver that softens by 20 % with a time constant of four hours."""
    fits = [fit_of(DRIVER.but(Cms=1.2 - 0.2 * math.exp(-t / 4))) for t in HOURS]
    states = tuple(
        DriverState(f"{t:g} h", "Auerhahn", fit) for t, fit in zip(HOURS, fits, strict=True)
    )
    steps = tuple(
        compare(fits[0], f, names=("0 h", s.name))
        for s, f in zip(states[1:], fits[1:], strict=True)
    )
    run = trend("fs", [(s.name, s.fit) for s in states], HOURS, 0.05)
    return Compared("Auerhahn", states, steps, True, (run.verdict, run.text), run)


def units() -> Compared:
    made = {"left": DRIVER, "right": DRIVER.but(Bl=1.02), "spare": DRIVER.but(Bl=1.3)}
    states = tuple(DriverState(name, name, fit_of(driver)) for name, driver in made.items())
    steps = tuple(compare(states[0].fit, s.fit, names=("left", s.name)) for s in states[1:])
    named = [(s.name, s.fit) for s in states]
    return Compared("left, right and spare", states, steps, False, pairs=pairs(named))


def test_page_of_a_series_answers_first_and_draws_the_trend() -> None:
    text = outlined(page_of_change(series())).text
    assert "Settled within 5 %: resonance fs tends to" in text
    assert "Has it settled? Yes." in text
    assert "fs from state to state" in text.replace("Resonance", "fs")
    assert text.index("fell from") < text.index("Has it settled?") < text.index("The curves")


def test_page_of_units_says_how_they_match() -> None:
    text = outlined(page_of_change(units())).text
    assert "Closest together: left and right (matched)." in text
    assert "left and right: matched." in text
    assert "left and spare: apart." in text
    assert text.index("left and right: matched.") < text.index("left and spare: apart.")
    assert "settled" not in text.lower()


@pytest.mark.parametrize("compared", [series(), units()], ids=["series", "units"])
def test_forms_of_a_comparison(compared: Compared, tmp_path: Path) -> None:
    written = {}
    for ending in forms.FORMS:
        path = tmp_path / f"report{ending}"
        forms.write_page(path, comparison_page.content(compared))
        written[ending] = path.read_bytes()
    assert written[".pdf"].startswith(b"%PDF")
    assert b"/Subtype /Image" not in written[".pdf"]  # its curves are lines
    spoken = subprocess.run(["pdftotext", "-layout", tmp_path / "report.pdf", "-"], check=True,
                            capture_output=True, text=True).stdout  # fmt: skip
    assert spoken.index("The curves") < spoken.index("frequency, Hz") < spoken.index("Sheet 2 of")
    assert written[".png"].startswith(b"\x89PNG")
    text = written[".md"].decode()
    assert text.startswith(f"# {compared.title}")
    assert ("| fs | resonance |" if compared.same_unit else "| Bl | force factor |") in text
    assert "Unchanged within 5 %: " in text


def test_forms_of_a_fit(fit: DriverFit, tmp_path: Path) -> None:
    what = {
        "unit": NASTY,
        "verdicts": judge(fit.parameters, TARGETS),
        "findings": [Finding("stiff-suspension", "compliance is low $x_1$", next_step="run it in")],
        "warnings": [],
        "origin": fit_page.Origin(None, (("Bench", "in the | shed"),)),
    }
    for ending in forms.FORMS:
        path = tmp_path / f"report{ending}"
        forms.write_page(path, fit_page.content(fit, **what))
        with pytest.raises(UsageError, match="exists already"):
            forms.write_page(path, fit_page.content(fit, **what))
    told = subprocess.run(
        ["pdfinfo", tmp_path / "report.pdf"], capture_output=True, text=True, check=True
    )
    assert 1 <= int(re.search(r"Pages:\s+(\d+)", told.stdout)[1]) <= 3  # type: ignore[index]
    assert "A4" in told.stdout
    spoken = subprocess.run(
        ["pdftotext", tmp_path / "report.pdf", "-"], capture_output=True, text=True, check=True
    ).stdout
    for piece in ("14.00 g", "run it in", "$x_1$", "in the | shed", "Sheet 1 of"):
        assert piece.lower() in spoken.lower(), piece
    text = (tmp_path / "report.md").read_text(encoding="utf-8")
    assert "14.00 g" in text
    assert "<script>" not in text  # escaped, whatever reads it
    assert r"in the \| shed" in text
    # Every line of a table has as many cells as its head.
    for block in re.findall(r"(?:^\|.*\n)+", text, re.MULTILINE):
        counts = {len(re.findall(r"(?<!\\)\|", line)) for line in block.splitlines()}
        assert len(counts) == 1


@pytest.mark.parametrize("name", ["report.txt", "report", "report.html.gz", ".pdf"])
def test_unknown_form_is_refused_before_anything(name: str, tmp_path: Path) -> None:
    with pytest.raises(UsageError, match="no kind of report") as caught:
        forms.check(tmp_path / name)
    assert ".html" in caught.value.remedy
    assert not list(tmp_path.iterdir())


AIR = Air(1.2, 344.0)


def test_page_tells_what_the_driver_will_do(fit: DriverFit) -> None:
    """In the flattest closed box f3 is fc: Qtc = 0.707 (Small 1972), fc = 0.707 fs/Qts."""
    text = outlined(page_of(fit, air=AIR)).text
    fs, Qts = (fit.parameters[name].value for name in ("fs", "Qts"))
    told = re.search(r"flattest closed box .*? 3 dB down at ([\d.]+) Hz ± [\d.]+ \(95 %\)", text)
    assert told and float(told[1]) == pytest.approx(math.sqrt(0.5) * fs / Qts, rel=0.003)
    assert "air of 1.200 kg/m³ and 344.0 m/s" in text
    assert "dB re 20 µPa" in text and "excursion" in text


def test_without_vas_the_planned_one_stands_in_or_the_way_to_it_is_told(fit: DriverFit) -> None:
    known = {k: v for k, v in fit.parameters.items() if k not in ("Vas", "Cms", "Mms", "Sd", "Bl")}
    bare = replace(fit, parameters=known)
    assert "a known mass on the cone" in outlined(page_of(bare, air=AIR)).text
    planned = judge(known, [Target("Vas", 18e-3, 16e-3, 20e-3)])
    text = outlined(page_of(bare, air=AIR, verdicts=planned)).text
    assert "the planned one stands in" in text
    assert "flattest" in text and "excursion" not in text.partition("The motion alone")[0]


def test_uneven_interval_is_the_same_on_terminal_page_and_in_json(fit: DriverFit) -> None:
    """exp(± 1.96 s) about 14 g, s = 0.3 of ln Mms: 7.8 g to 25 g, whoever says it."""
    wide = Estimate(0.014, "kg", {"ruler": 0.3 * 0.014})
    rough = replace(fit, parameters={**fit.parameters, "Mms": wide})
    low, high = to_json(rough, unit="x")["parameters"]["Mms"]["interval_95"]
    assert high - 0.014 > 1.5 * (0.014 - low)
    ends = [f"{1e3 * end:.0f}" for end in (low, high)]
    console = Console(width=100, color_system=None)
    with console.capture() as capture:
        console.print(tables.parameters(rough))
    (line,) = (one for one in capture.get().splitlines() if one.startswith("Mms"))
    written = re.search(r"([0-9.]+) to ([0-9.]+)", line)
    assert written is not None, line
    assert [f"{float(end):.0f}" for end in written.groups()] == ends
    assert f"{written[1]} … {written[2]}" in page_of(rough)
