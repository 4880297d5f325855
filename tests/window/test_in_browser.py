"""The window in a real Chromium: by clicks and by keys, legible, quiet, and everything in reach."""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path

import pictures
import pytest
from browser import PHONE, Browser
from selenium.webdriver import ActionChains
from shown_window import Shown
from window_client import opened

pytestmark = pytest.mark.browser

AXE = Path(__file__).parents[1] / "support" / "vendor" / "axe" / "axe.min.js"
PAGES = (
    *("shelf", "bench", "take", "good-take", "refused-take", "driver", "what-if"),
    *("box", "parts", "polarity", "series", "fault"),
)


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    with Browser() as started:
        yield started


@pytest.fixture(scope="module")
def shown(browser: Browser, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Shown]:
    folder = tmp_path_factory.mktemp("lantern")
    pages = pictures.furnished(folder)
    with opened(folder) as (address, _):
        yield Shown(browser, address, pages, folder)


def drawn(shown: Shown, page: str) -> None:
    """Wait for the curves of a page."""
    if page in ("good-take", "refused-take", "driver"):
        shown.until("document.querySelectorAll('.u-over').length > 0")
    if page == "what-if":
        shown.until("[...document.querySelectorAll('[data-way]')].every(s => s.dataset.drawn)")


@pytest.mark.parametrize("dark", [False, True], ids=["light", "dark"])
@pytest.mark.parametrize("page", PAGES)
def test_nothing_stands_in_anyones_way(shown: Shown, page: str, dark: bool) -> None:
    """axe-core, contrast of 4.5 among its rules; folded parts are looked at unfolded."""
    shown.go(shown.pages[page], dark=dark)
    drawn(shown, page)
    shown.run("document.querySelectorAll('details').forEach(d => { d.open = true; })")
    shown.run(AXE.read_text(encoding="utf-8"))
    found = shown.browser.driver.execute_async_script(
        "const done = arguments[arguments.length - 1];"
        "axe.run(document, {resultTypes: ['violations']}).then(r => done(JSON.stringify("
        "r.violations.map(v => [v.id, v.impact, v.nodes.map(n => n.html.slice(0, 160))]))))"
    )
    serious = [one for one in json.loads(found) if one[1] in ("serious", "critical")]
    assert not serious


@pytest.mark.parametrize("page", PAGES)
def test_a_phone_shows_all_and_no_other_place_is_asked(shown: Shown, page: str) -> None:
    shown.go(shown.pages[page], size=PHONE)
    drawn(shown, page)
    width = shown.run("return document.documentElement.scrollWidth")
    assert width <= PHONE[0]
    tallest = "Math.max(0, ...[...document.querySelectorAll('.chart')].map(c => c.clientHeight))"
    assert shown.run(f"return {tallest}") <= PHONE[1]  # a chart and its legend fit on the screen
    complaints = [c for c in shown.browser.complaints() if page != "fault"]
    assert not complaints
    asked = shown.browser.requests()
    assert asked
    assert all(one.startswith((shown.root, "data:")) for one in asked)


def test_every_chart_names_its_units(shown: Shown) -> None:
    shown.go(shown.pages["good-take"])
    drawn(shown, "good-take")
    words = shown.run("return document.getElementById('curve').getAttribute('aria-label')")
    assert "Ω" in words
    assert "Hz" in words


def test_slider_by_keys_redraws(shown: Shown) -> None:
    shown.go(shown.pages["what-if"])
    drawn(shown, "what-if")
    line = "return document.querySelector('#box .values-line').textContent"
    before = shown.run(line)
    shown.run("document.getElementById('box-volume').focus()")
    for _ in range(5):
        shown.browser.key("ArrowRight")
    shown.until(f"document.querySelector('#box .values-line').textContent !== {before!r}")
    assert "L" in shown.run("return document.getElementById('box-volume').ariaValueText")


def test_a_band_is_moved_by_keys_and_by_the_pointer_and_saved(shown: Shown) -> None:
    from cli.sources import opened

    shown.go(shown.pages["driver"], size=(1000, 900))
    drawn(shown, "driver")
    first = "document.querySelector('.band input[type=range]')"
    shown.run(f"{first}.scrollIntoView({{block: 'center'}}); {first}.focus()")
    before = float(shown.run(f"return {first}.value"))
    for _ in range(5):
        shown.browser.key("ArrowLeft")
    after = float(shown.run(f"return {first}.value"))
    assert after < before
    fill = shown.browser.driver.find_element("css selector", ".band .fill")
    ActionChains(shown.browser.driver).drag_and_drop_by_offset(fill, -30, 0).perform()
    low, high = (
        float(one) for one in
        shown.run("return [...document.querySelectorAll('.band')[0].querySelectorAll("
                  "'input[type=range]')].map(i => i.value)")
    )  # fmt: skip
    assert low < after
    shown.run("document.getElementById('keep-targets').click()")
    shown.until("document.getElementById('kept-targets').textContent.startsWith('Saved')")
    kept = {one.parameter: one for one in opened.targets(shown.folder / "lantern.toml").targets}
    assert kept["fs"].lower == pytest.approx(low, rel=1e-3)
    assert kept["fs"].upper == pytest.approx(high, rel=1e-3)


def test_keys_reach_what_is_there(shown: Shown) -> None:
    """Tab goes through the page; what has the focus can be seen."""
    shown.go("/take")
    names = set()
    for _ in range(40):
        shown.browser.driver.switch_to.active_element.send_keys("\ue004")
        names.add(shown.run("return document.activeElement.textContent.trim().slice(0, 30)"))
        outline = shown.run("return getComputedStyle(document.activeElement).outlineStyle")
        body = shown.run("return document.activeElement === document.body")
        assert body or outline != "none"
    assert {"Shelf", "Bench", "Take", "More"} <= names


def test_from_an_empty_folder_to_its_compliance_volume_by_clicks(
    browser: Browser, tmp_path: Path
) -> None:
    with opened(tmp_path) as (address, _):
        shown = Shown(browser, address, {})
        shown.run("document.querySelector('a.button.main').click()")
        shown.until("document.querySelector(\"form[data-action='rig-new']\")")
        shown.fill("rig-new", series_resistor="10ohm", device="simulated", amplifier="none",
                   woofer="yes", sweep_seconds="0.6")  # fmt: skip
        shown.press("rig-new")
        shown.until("document.querySelector('#wiring')")
        for mass in ("", "7.5g±0.1g"):
            shown.go("/take?unit=lantern-1")
            shown.fill("take", added_mass=mass)
            shown.press("take")
            if mass:  # a mass on a magnet has a caution of its own
                shown.until("document.getElementById('cautions').open")
                shown.run("document.getElementById('cautions-yes').click()")
            else:
                shown.until("Number(document.getElementById('curve').dataset.grown) > 1")
                shown.go("/take")  # loaded again in the middle of it
                shown.until("Number(document.getElementById('curve').dataset.grown) > 0")
            shown.until("document.getElementById('verdict')")
        shown.go("/driver?unit=lantern-1")
        shown.fill("fit", diameter="118mm")
        shown.press("fit")
        shown.until("document.querySelector(\"[data-symbol='Vas']\")")
        vas = shown.run("return document.querySelector(\"[data-symbol='Vas']\").textContent")
        assert not [c for c in browser.complaints() if "favicon" not in c]
    saved = json.loads((tmp_path / "fits" / "lantern-1.json").read_text(encoding="utf-8"))
    litres = 1e3 * saved["parameters"]["Vas"]["value"]
    assert float(vas.split()[0]) == pytest.approx(litres, rel=5e-3)
