"""The window in a real Chromium: by clicks and by keys, legible, quiet, and everything in reach."""

from __future__ import annotations

import json
import shutil
from collections.abc import Iterator
from pathlib import Path

import pictures
import pytest
from browser import PHONE, Browser
from program import succeed
from selenium.webdriver import ActionChains
from shown_window import Shown
from window_client import opened

pytestmark = pytest.mark.browser

PAGES = (
    *("shelf", "bench", "take", "good-take", "refused-take", "driver", "driver-refused", "what-if"),
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
    shown.go(shown.pages[page], dark=dark)
    drawn(shown, page)
    assert not shown.browser.barriers()


def test_nothing_stands_in_the_way_of_results_and_cautions(shown: Shown) -> None:
    fits = shown.folder / "fits"
    shutil.copy(fits / "Lantern-1.json", fits / "other.json")
    shown.go(shown.pages["driver"], dark=True)
    shown.press("compare")
    shown.until("!document.getElementById('said').hidden")
    assert not shown.browser.barriers()
    shown.go("/take?unit=Lantern%201")
    shown.fill("take", added_mass="7.5g")
    shown.press("take")
    shown.until("document.getElementById('cautions').open")
    assert not shown.browser.complaints()
    assert not shown.browser.barriers()


def test_nothing_stands_in_the_way_of_an_empty_folder(browser: Browser, tmp_path: Path) -> None:
    with opened(tmp_path) as (address, _):
        shown = Shown(browser, address, {})
        for page in ("", "bench", "take", "what-if", "box", "parts", "polarity", "series"):
            shown.go(f"/{page}", size=PHONE, dark=True)
            assert not shown.browser.barriers(), page
            assert shown.run("return document.documentElement.scrollWidth") <= PHONE[0], page
            assert not browser.complaints(), page


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
    volume = "document.getElementById('box-volume').value"
    shown.until(f"location.search.includes(`box-volume=${{{volume}}}&`)")
    set_to = shown.run(f"return {volume}")
    shown.go(shown.run("return location.pathname + location.search"))
    drawn(shown, "what-if")
    assert shown.run(f"return {volume}") == set_to
    assert shown.run(line) != before


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


def tabbed(shown: Shown, wanted: str) -> None:
    """Tab until an element has the focus that fits a condition; each focus can be seen."""
    for _ in range(60):
        shown.browser.driver.switch_to.active_element.send_keys("\ue004")
        outline = "getComputedStyle(a).outlineStyle !== 'none'"
        seen = shown.run(
            f"const a = document.activeElement; return a === document.body || {outline}"
        )
        assert seen, shown.run("return document.activeElement.outerHTML.slice(0, 200)")
        if shown.run(f"const a = document.activeElement; return {wanted}"):
            return
    raise AssertionError(f"Tab does not reach {wanted}")


def test_a_take_by_keys_alone(shown: Shown) -> None:
    """From the head of the page through the form and the cautions to Stop, and the take is kept."""
    enter = "\ue007"

    def typed(text: str) -> None:
        shown.browser.driver.switch_to.active_element.send_keys(text)

    shown.go("/")
    tabbed(shown, "a.textContent === 'Take'")
    typed(enter)
    shown.until("document.querySelector('form[data-action=take]')")
    tabbed(shown, "a.name === 'UNIT'")
    typed("by keys")
    tabbed(shown, "a.name === '--added-mass'")
    typed("7.5g")
    tabbed(shown, "a.type === 'submit'")
    typed(enter)
    shown.until("document.getElementById('cautions').open")
    tabbed(shown, "a.id === 'cautions-yes'")
    typed(enter)
    shown.until("!document.getElementById('stop').hidden")
    tabbed(shown, "a.id === 'stop'")
    typed(enter)
    shown.until("document.getElementById('verdict')")
    assert "Refused" in shown.run("return document.getElementById('verdict').textContent")
    assert len(list((shown.folder / "takes").glob("by-keys*"))) == 1


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


def test_clumsy_hands_lose_nothing_and_get_a_word(browser: Browser, tmp_path: Path) -> None:
    """Wrong words, double clicks, going back in mid-take, a take and the folder moved away."""
    folder = tmp_path / "bench"
    folder.mkdir()
    words = ("--series-resistor", "10ohm", "--device", "simulated", "--sweep-seconds", "0.6")
    succeed("rig", "new", folder / "bench.toml", "--woofer", *words)
    answer = "document.querySelector('form[data-action=take] .answer').textContent"
    said = "document.getElementById('said')"
    takes = folder / "takes"
    with opened(folder) as (address, _):
        shown = Shown(browser, address, {})
        shown.go("/take")
        shown.press("take")
        shown.until(f"{answer}.includes('name of the unit')")
        for value, word in (("7,5g", "mass on the cone"), ("lots", "mass on the cone")):
            shown.fill("take", UNIT="lantern", added_mass=value)
            shown.press("take")
            shown.until(f"document.getElementById('cautions').open || !{said}.hidden")
            if shown.run("return document.getElementById('cautions').open"):
                shown.run("document.getElementById('cautions-yes').click()")
            shown.until(f"!{said}.hidden && {said}.textContent.includes({word!r})")
            assert "--" not in shown.run(f"return {said}.textContent")
        assert not takes.exists()
        shown.fill("take", added_mass="")
        button = "document.querySelector('form[data-action=take] [type=submit]')"
        shown.run(f"const b = {button}; b.click(); b.click(); b.form.requestSubmit();")
        shown.until("!document.getElementById('stop').hidden")
        shown.go("/")
        browser.driver.back()
        shown.until("document.getElementById('strip').classList.contains('busy')")
        shown.until("document.getElementById('verdict')")
        (kept,) = takes.iterdir()
        page = f"/take?of=takes/{kept.name}"
        kept.rename(tmp_path / "elsewhere")
        shown.go(page)
        assert kept.name in shown.run("return document.querySelector('main').textContent")
        shown.go("/driver?unit=lantern")
        assert "Nothing of this name" in shown.run("return document.body.textContent")
        (tmp_path / "elsewhere").rename(kept)
        folder.rename(tmp_path / "renamed")
        shown.go("/")
        assert "lantern" in shown.run("return document.querySelector('main').textContent")
        assert not [c for c in browser.complaints() if "status of" not in c]
