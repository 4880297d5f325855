"""Pages of sections at a phone's and a desk's width, in the dark, and printed: nothing is lost."""

from __future__ import annotations

import itertools
import subprocess
from collections.abc import Iterator
from pathlib import Path

import every_page
import pytest
from browser import PHONE, Browser
from every_figure import PLAIN, SPARK
from made_fits import fit_of

from cli.report import forms
from cli.report.page import page as page_of
from cli.terminal.sections import Drawing, Facts, Findings, Listed, Rows, Section
from cli.terminal.tables import Column, numbers
from meas.errors import Finding

pytestmark = pytest.mark.browser

TITLES = [f"{hz} Hz" for hz in (20, 50, 100, 200, 500, 1000, 2000, 5000, 10000)]


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    with Browser() as opened:
        yield opened


@pytest.fixture(scope="module")
def page(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Everything that a section can hold, with a table wider than a phone and sixty rows."""
    from cli.pictures.plots import curve_figure

    rows = [
        (f"Lantern number {k}", *(f"{90 + k / 7:.1f} ± 0.3" for _ in TITLES)) for k in range(60)
    ]
    told = [
        Section("The coil", (Facts([("wire", "0.2", "mm", "copper, as it came off the reel")]),)),
        Section("Levels", (Rows((Column("unit"), *numbers(*TITLES)), rows), "In half space.")),
        Section("Seen", (Drawing("one", lambda: curve_figure(fit_of(PLAIN)), "A curve", "One."),
                         Drawing("two", lambda: curve_figure(fit_of(SPARK)), "Another", "Too."))),
        Section("Mind", (Listed(["Nothing drifts."]), Findings([Finding("loud", "99 dB")]))),
        Section("Next", (" and ".join(40 * ["--added-mass"]), Listed([40 * "--test-box "]))),
    ]  # fmt: skip
    path = tmp_path_factory.mktemp("sections") / "page.html"
    forms.write_page(
        path, page_of("Lantern and all its brothers", "All is well.", told, ("Lantern",))
    )
    return path


@pytest.fixture(scope="module")
def pages(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    return every_page.written(tmp_path_factory.mktemp("pages"))


CUT = """
return [...document.querySelectorAll('.scroll, figure, .explore')]
  .filter(e => e.scrollWidth > e.clientWidth + 1)
  .map(e => [getComputedStyle(e).backgroundImage, e.innerText.slice(0, 60)]);
"""
BROKEN = """
const broken = [], walk = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
while (walk.nextNode()) {
  const node = walk.currentNode;
  if (node.parentElement.closest('script, style')) continue;
  for (const one of node.data.matchAll(/--[a-z][a-z-]*[a-z]/g)) {
    const range = document.createRange();
    range.setStart(node, one.index);
    range.setEnd(node, one.index + one[0].length);
    if (new Set([...range.getClientRects()].map(r => Math.round(r.top))).size > 1)
      broken.push(one[0]);
  }
}
return broken;
"""  # options over the end of a line, which nobody could type
OUTSIDE = """
return [...document.querySelectorAll('main *, header *')].filter(e => {
  const r = e.getBoundingClientRect();
  return r.width && r.right > innerWidth + 1 && !e.closest('.scroll, figure, .u-wrap, svg');
}).map(e => e.outerHTML.slice(0, 120));
"""


@pytest.mark.parametrize("name", every_page.NAMES)
def test_nothing_sticks_out_is_faint_or_lost(
    browser: Browser, pages: dict[str, Path], name: str
) -> None:
    """Every page that commands write: phone and desk, light and dark, and on paper."""
    path = pages[name]
    for size, dark in itertools.product((PHONE, (1400, 900)), (False, True)):
        browser.open(path, size=size, dark=dark)
        assert browser.run("return document.documentElement.scrollWidth") <= size[0]
        assert browser.run(OUTSIDE) == []
        assert browser.run(BROKEN) == []
        assert browser.complaints() == []
        assert all("gradient" in image for image, _ in browser.run(CUT))
        assert [text for text in browser.contrasts() if text[0] < 4.5] == []
    assert browser.barriers() == []
    browser.open(path)
    browser.on_paper(703)  # A4 without its margins of 12 mm, at 96 CSS pixels an inch
    assert browser.run("return document.documentElement.scrollWidth") <= 703
    assert browser.run(CUT) == []
    assert browser.run(OUTSIDE) == []
    assert [text for text in browser.contrasts() if text[0] < 4.5] == []


def test_a_wide_table_scrolls_on_a_phone_and_says_so(browser: Browser, page: Path) -> None:
    browser.open(page, size=PHONE)
    cut = browser.run(CUT)
    assert cut and all("gradient" in image for image, _ in cut)
    assert browser.run(BROKEN) == []


def test_print_has_every_row_and_no_scroll_bar(
    browser: Browser, page: Path, tmp_path: Path
) -> None:
    browser.open(page)
    pdf = tmp_path / "page.pdf"
    pdf.write_bytes(browser.printed())
    text = subprocess.run(["pdftotext", "-layout", pdf, "-"], capture_output=True, text=True,
                          check=True).stdout  # fmt: skip
    assert all(f"Lantern number {k} " in text for k in range(60))
    browser.driver.execute_cdp_cmd("Emulation.setEmulatedMedia", {"media": "print"})
    sizes = browser.run(
        "const size = (q) => parseFloat(getComputedStyle(document.querySelector(q)).fontSize);"
        "return ['h1', 'h2', 'li', 'td'].map(size)"
    )
    assert sizes[0] > sizes[1] > sizes[2] >= sizes[3]
    shown = browser.run(
        "return [...document.querySelectorAll('.scroll, figure')]"
        ".map(e => getComputedStyle(e).overflowX)"
    )
    assert set(shown) == {"visible"}


@pytest.mark.parametrize("ending", [".md", ".pdf", ".png"])
def test_other_forms_hold_the_same(ending: str, tmp_path: Path) -> None:
    told = [Section("Levels", (Rows((Column("unit"), *numbers("dB")), [("Lantern", "98.6")]),))]
    path = tmp_path / f"page{ending}"
    forms.write_page(path, page_of("Lantern", "All is well.", told, ()))
    content = path.read_bytes()
    if ending == ".md":
        assert "| Lantern | 98.6 |" in content.decode()
    elif ending == ".pdf":
        done = subprocess.run(["pdftotext", path, "-"], capture_output=True, text=True, check=True)
        assert "98.6" in done.stdout
    else:
        assert content.startswith(b"\x89PNG")
