"""The report page in a real Chromium: right numbers under the pointer, quiet, legible, printable.

Contrast after WCAG 2.2, 1.4.3: 4.5 to 1 for text.
"""

from __future__ import annotations

import itertools
import re
import subprocess
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from browser import PHONE, Browser
from made_fits import Physical, curve, fit_of

from cli.report import comparison_page, fit_page
from cli.report.comparison_page import Compared
from cli.report.parts import render
from cli.sources.states import DriverState
from fit.compare.changes import compare
from fit.compare.curves import difference
from fit.results.judge import Target, judge
from fit.results.result import DriverFit
from meas.bench.rig import Rig, Wiring
from meas.errors import Finding

pytestmark = pytest.mark.browser

DRIVER = Physical()
TARGETS = (
    Target("Re", 6.2, 5.9, 6.25), Target("fs", 48, 44, 50), Target("Qts", 0.5, 0.4, 0.6),
    Target("Mms", 14e-3, 13e-3, 15e-3), Target("Cms", 0.9e-3, 0.8e-3, 1e-3),
    Target("Bl", 7, lower=6.6), Target("sensitivity_2v83", 87, 86.9, 88),
)  # fmt: skip


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    with Browser() as opened:
        yield opened


@pytest.fixture(scope="module")
def fit() -> DriverFit:
    """Three takes, each on its own frequencies, the last without a phase."""
    heavier = replace(DRIVER, Mms=DRIVER.Mms + 7.5e-3)
    loaded = curve(heavier, condition="added-mass", value=7.5e-3, source="take-2", points=287)
    boxed = curve(
        replace(DRIVER, Cms=DRIVER.Cms / 2.4), condition="test-box", value=6.8e-3, points=311
    )
    bare = replace(boxed, measured_ohm=np.abs(boxed.measured_ohm))
    off = replace(
        curve(DRIVER), measured_ohm=curve(DRIVER).measured_ohm * np.linspace(0.99, 1.02, 300)
    )
    return replace(fit_of(DRIVER), curves=(off, loaded, bare))


@pytest.fixture(scope="module")
def page(fit: DriverFit, tmp_path_factory: pytest.TempPathFactory) -> Path:
    rig = Rig(name="shed", wiring=Wiring(series_resistor_ohm=10))
    content = fit_page.content(
        fit,
        unit="Auerhahn",
        verdicts=judge(fit.parameters, TARGETS),
        findings=[Finding("stiff-suspension", "Compliance is low.", next_step="run it in.")],
        warnings=[Finding("hum", "Some hum at 50 Hz")],
        origin=fit_page.Origin(
            rig,
            tuple((f"Take {k}", "free air, 48000 Hz, peaks 50 % and 47 %") for k in (1, 2, 3)),
        ),
    )
    path = tmp_path_factory.mktemp("page") / "auerhahn.html"
    path.write_text(render("page.html.j2", content), encoding="utf-8")
    assert path.stat().st_size < 2_000_000
    return path


def number(text: str) -> float:
    """A number as the page writes it, kilo and the true minus sign included."""
    found = re.fullmatch(r"(−?[\d.]+)( k?Hz)?", text)
    assert found, text
    scale = 1000.0 if found[2] == " kHz" else 1.0
    return float(found[1].replace("−", "-")) * scale


def readout(browser: Browser) -> list[list[str]]:
    rows: list[list[str]] = browser.run(
        "return [...document.querySelectorAll('#readout tbody tr')]"
        ".map(r => [...r.querySelectorAll('td')].map(c => c.textContent))"
    )
    return rows


def frame(browser: Browser, chart: str) -> tuple[float, float, float, float]:
    """Left, top, width and height of a chart's plotting area in the window."""
    box = browser.run(
        "const o = document.querySelector(`[data-chart=${arguments[0]}] .u-over`);"
        "o.scrollIntoView({block: 'center'}); const r = o.getBoundingClientRect();"
        "return [r.left, r.top, r.width, r.height]",
        chart,
    )
    return box[0], box[1], box[2], box[3]


def expected(fit: DriverFit, take: int, frequency: float) -> tuple[float, float, float, float]:
    """Frequency, |Z|, model and per cent off of the point nearest in log frequency."""
    one = fit.curves[take]
    k = int(np.argmin(np.abs(np.log(one.frequency_hz / frequency))))
    z, model = abs(one.measured_ohm[k]), abs(one.model_ohm[k])
    return float(one.frequency_hz[k]), z, model, 100 * (z - model) / z


@pytest.mark.parametrize("chart", ["magnitude", "phase", "third"])
@pytest.mark.parametrize("share", [0.07, 0.315, 0.5, 0.93])
def test_pointer_reads_the_data(
    browser: Browser, page: Path, fit: DriverFit, chart: str, share: float
) -> None:
    browser.open(page)
    left, top, width, height = frame(browser, chart)
    browser.move(left + share * width, top + height / 2)
    # The axis is logarithmic from the first point to the last.
    pointed = 10 * 2000 ** ((round(left + share * width, 3) - left) / width)
    rows = readout(browser)
    assert len(rows) == 3
    for take, cells in enumerate(rows):
        frequency, z, model, off = expected(fit, take, pointed)
        # Written with four digits; a pixel is 1 % of frequency, less than a point's distance.
        assert number(cells[0]) == pytest.approx(frequency, rel=5e-4)
        assert number(cells[1]) == pytest.approx(z, rel=5e-4)
        assert number(cells[3]) == pytest.approx(model, rel=5e-4)
        assert number(cells[4]) == pytest.approx(off, abs=0.0051)
    at = int(np.argmin(np.abs(np.log(fit.curves[0].frequency_hz / pointed))))
    phase = np.degrees(np.angle(fit.curves[0].measured_ohm[at]))
    assert number(rows[0][2]) == pytest.approx(phase, abs=0.051)
    assert rows[2][2] == "–"  # magnitude only


@pytest.mark.parametrize("size", [(1400, 900), PHONE])
def test_named_points_stand_free_of_each_other(
    browser: Browser, page: Path, size: tuple[int, int]
) -> None:
    browser.open(page, size=size)
    boxes = browser.run(
        "return [...document.querySelectorAll('.mark-name')].filter(e => !e.hidden).map(e => "
        "{ const r = e.getBoundingClientRect(); return [e.textContent, r.left, r.top, r.right, "
        "r.bottom]; })"
    )
    assert [text.split()[0] for text, *_ in boxes] == ["fs", "peak", "least", "Re"]
    for one, other in itertools.combinations(boxes, 2):
        apart = one[3] <= other[1] or other[3] <= one[1] or one[4] <= other[2] or other[4] <= one[2]
        assert apart, (one, other)
    assert all(left >= 0 and right <= size[0] for _, left, _, right, _ in boxes)


def test_keys_walk_point_by_point_and_are_spoken(
    browser: Browser, page: Path, fit: DriverFit
) -> None:
    browser.open(page)
    browser.run("document.getElementById('curve-view').focus()")
    spoken = "return document.getElementById('curve-view').getAttribute('aria-valuetext')"
    f = fit.curves[0].frequency_hz
    start = int(np.argmax(np.abs(fit.curves[0].measured_ohm) * (f < 2000)))
    for key, moved in (("ArrowRight", 1), ("ArrowRight", 2), ("ArrowLeft", 1)):
        browser.key(key)
        assert number(readout(browser)[0][0]) == pytest.approx(f[start + moved], rel=5e-4)
    z = abs(fit.curves[0].measured_ohm[start + 1])
    assert f"free air: {z:.2f} ohm" in browser.run(spoken)
    browser.key("PageUp")
    assert number(readout(browser)[0][0]) == pytest.approx(2 * f[start + 1], rel=0.02)
    browser.key("Home")
    assert number(readout(browser)[0][0]) == pytest.approx(f[0], rel=5e-4)
    role = browser.run("return document.getElementById('curve-view').getAttribute('role')")
    assert role == "slider"
    # Zoomed in around the lower end, the pointer's axis is another.
    browser.key("+")
    left, top, width, height = frame(browser, "magnitude")
    browser.move(left + width - 2, top + height / 2)
    assert number(readout(browser)[0][0]) < 5000
    browser.key("0")
    browser.move(left + width - 4, top + height / 2)
    assert number(readout(browser)[0][0]) > 18000


def test_dragging_zooms(browser: Browser, page: Path) -> None:
    browser.open(page)
    left, top, width, height = frame(browser, "magnitude")
    y = top + height / 2
    drag = browser.driver.execute_cdp_cmd
    words = {"button": "left", "buttons": 1, "clickCount": 1, "y": y}
    browser.move(left + 0.2 * width, y)
    drag("Input.dispatchMouseEvent", {"type": "mousePressed", "x": left + 0.2 * width, **words})
    drag("Input.dispatchMouseEvent", {"type": "mouseMoved", "x": left + 0.3 * width, **words})
    drag("Input.dispatchMouseEvent", {"type": "mouseMoved", "x": left + 0.4 * width, **words})
    drag("Input.dispatchMouseEvent", {"type": "mouseReleased", "x": left + 0.4 * width, **words})
    browser.move(left + 0.5 * width, y)
    # From 0.2 to 0.4 of 10 Hz to 20 kHz: the middle is at 0.3.
    assert number(readout(browser)[0][0]) == pytest.approx(10 * 2000**0.3, rel=0.03)


def test_switches_hide_takes(browser: Browser, page: Path) -> None:
    browser.open(page)
    names = "return [...document.querySelectorAll('.switches label')].map(l => l.textContent)"
    assert browser.run(names) == [
        "free air", "added mass 7.5 g", "test box 6.8 L", "model (thin)", "off model",
    ]  # fmt: skip
    browser.run("document.querySelectorAll('.switches input')[1].click()")
    browser.run("document.querySelectorAll('.switches input')[4].click()")
    hidden = browser.run(
        "return [...document.querySelectorAll('#readout tbody tr')].map(r => r.hidden)"
    )
    assert hidden == [False, True, False]
    assert browser.run("return document.querySelector('[data-chart=third]').hidden") is True


@pytest.mark.parametrize("dark", [False, True])
@pytest.mark.parametrize("size", [(1180, 900), PHONE])
def test_quiet_and_fits_the_window(
    browser: Browser, page: Path, size: tuple[int, int], dark: bool
) -> None:
    browser.open(page, size=size, dark=dark)
    left, top, width, height = frame(browser, "magnitude")
    browser.move(left + width / 2, top + height / 2)
    assert browser.complaints() == []
    assert browser.requests() == [page.resolve().as_uri()]
    # Nothing sticks out sideways: no scrolling of the page in two directions.
    assert browser.run("return document.documentElement.scrollWidth") <= size[0]


@pytest.mark.parametrize("scripts", [True, False])
@pytest.mark.parametrize("dark", [False, True])
def test_every_text_has_contrast(browser: Browser, page: Path, dark: bool, scripts: bool) -> None:
    browser.open(page, dark=dark, scripts=scripts)
    found = browser.contrasts()
    assert len(found) > 100
    assert [text for text in found if text[0] < 4.5] == []
    # Negative control: the same measure must tell a faint text.
    browser.run("document.querySelector('h1').style.color = arguments[0]", "#888888")
    assert min(browser.contrasts())[1] == "Auerhahn"


def test_complete_without_scripts(browser: Browser, page: Path) -> None:
    browser.open(page, scripts=False)
    shown = browser.run("return document.getElementById('still').getClientRects().length")
    assert shown == 1
    assert browser.run("return document.getElementById('explore').getClientRects().length") == 0
    assert "The same in numbers" in browser.run("return document.body.innerText")


def test_prints_on_two_pages_with_the_static_picture(
    browser: Browser, page: Path, tmp_path: Path
) -> None:
    browser.open(page)
    pdf = tmp_path / "printed.pdf"
    pdf.write_bytes(browser.printed())
    told = subprocess.run(["pdfinfo", pdf], capture_output=True, text=True, check=True).stdout
    pages_ = int(re.search(r"Pages:\s+(\d+)", told)[1])  # type: ignore[index]  # always there
    assert 1 <= pages_ <= 2
    assert re.search(r"Page size:\s+59[45].* x 84[12].*\(A4\)", told)
    text = subprocess.run(["pdftotext", pdf, "-"], capture_output=True, text=True, check=True)
    for piece in ("Auerhahn", "Impedance: measured (broad)", "How it was measured", "Next: Run it"):
        assert piece in text.stdout, piece
    assert "Point at a curve" not in text.stdout


def test_comparison_reads_difference_and_its_reach(browser: Browser, tmp_path: Path) -> None:
    """Two states of one driver: quiet, legible on a phone in the dark, right under the keys."""
    before, after = fit_of(DRIVER), fit_of(DRIVER.but(Cms=1.2))
    states = (DriverState("new", "Auerhahn", before), DriverState("12 h", "Auerhahn", after))
    steps = (compare(before, after, names=("new", "12 h")),)
    page = tmp_path / "change.html"
    content = comparison_page.content(Compared("Auerhahn", states, steps, True))
    page.write_text(render("page.html.j2", content), encoding="utf-8")
    browser.open(page, size=PHONE, dark=True)
    assert browser.complaints() == []
    assert browser.requests() == [page.resolve().as_uri()]
    assert browser.run("return document.documentElement.scrollWidth") <= PHONE[0]
    assert [text for text in browser.contrasts() if text[0] < 4.5] == []
    browser.run("document.getElementById('curve-view').focus()")
    browser.key("ArrowRight")
    first, second = readout(browser)
    found = difference(before, after)
    k = int(np.argmin(np.abs(np.log(found.frequency_hz / number(second[0])))))
    assert first[3] == "–"
    # Written with three digits.
    assert number(second[3]) == pytest.approx(found.difference_ohm[k], abs=0.051)
    assert number(second[4]) == pytest.approx(found.reach_95_ohm[k], abs=0.051)
