"""A real Chromium for the tests of pages: looks, keys, pointer, printing, and what it asks for."""

from __future__ import annotations

import base64
import json
import shutil
import tempfile
from contextlib import suppress
from pathlib import Path
from typing import Any

from selenium import webdriver
from selenium.webdriver.chrome.options import Options
from selenium.webdriver.chrome.service import Service

FLAGS = (
    "--headless",
    "--no-sandbox",
    "--disable-gpu",
    "--disable-dev-shm-usage",
    "--disable-background-networking",
    "--no-first-run",
    "--disable-component-update",
    "--disable-sync",
    "--hide-scrollbars",
)
DESKTOP, PHONE = (1180, 900), (390, 844)
AXE = Path(__file__).resolve().parents[1] / "vendor" / "axe" / "axe.min.js"

CONTRAST = """
const parts = (c) => (c.match(/[\\d.]+/g) || []).map(Number);
const bright = (c) => parts(c).slice(0, 3).map((p) => p / 255)
  .map((p) => (p <= 0.04045 ? p / 12.92 : ((p + 0.055) / 1.055) ** 2.4))
  .reduce((sum, p, k) => sum + p * [0.2126, 0.7152, 0.0722][k], 0);
function ground(e) {
  for (; e; e = e.parentElement) {
    const c = getComputedStyle(e).backgroundColor;
    if (parts(c)[3] !== 0) return c;
  }
  return getComputedStyle(document.documentElement).backgroundColor;
}
const found = [];
const walker = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
while (walker.nextNode()) {
  const node = walker.currentNode, e = node.parentElement;
  if (!node.textContent.trim() || ["SCRIPT", "STYLE"].includes(e.tagName)) continue;
  const style = getComputedStyle(e);
  if (!e.getClientRects().length || style.visibility === "hidden") continue;
  const ink = e.namespaceURI.endsWith("svg") ? style.fill : style.color;
  if (!parts(ink).length) continue;
  const [a, b] = [bright(ink), bright(ground(e))];
  const ratio = (Math.max(a, b) + 0.05) / (Math.min(a, b) + 0.05);
  found.push([ratio, node.textContent.trim().slice(0, 40), ink, ground(e)]);
}
return found;
"""


def installed(name: str) -> str | None:
    """Path of a program of the system, None where selenium must fetch its own.

    Ubuntu's `chromium-browser` is no browser but a pointer to a snap: it does not count.
    """
    return shutil.which(name)


class Browser:
    """A browser of its own profile, closed with its profile at the end of the block."""

    def __enter__(self) -> Browser:
        self._profile = Path(tempfile.mkdtemp(prefix="freeair-browser-"))
        options = Options()
        chromium, chromedriver = installed("chromium"), installed("chromedriver")
        if chromium and chromedriver:
            options.binary_location = chromium
        for flag in (*FLAGS, f"--user-data-dir={self._profile}"):
            options.add_argument(flag)
        options.set_capability("goog:loggingPrefs", {"browser": "ALL", "performance": "ALL"})
        service = Service(chromedriver if chromium else None)
        self.driver = webdriver.Chrome(options=options, service=service)
        self.driver.set_page_load_timeout(60)
        return self

    def __exit__(self, *_: object) -> None:
        with suppress(Exception):
            self.driver.quit()
        shutil.rmtree(self._profile, ignore_errors=True)

    def open(
        self,
        page: Path,
        *,
        size: tuple[int, int] = DESKTOP,
        dark: bool = False,
        scripts: bool = True,
    ) -> None:
        """Open a page from disk under the given circumstances."""
        self.visit(page.resolve().as_uri(), size=size, dark=dark, scripts=scripts)

    def visit(
        self,
        address: str,
        *,
        size: tuple[int, int] = DESKTOP,
        dark: bool = False,
        scripts: bool = True,
    ) -> None:
        """Go to an address under the given circumstances."""
        phone = size[0] < 600
        self._tell(
            "Emulation.setDeviceMetricsOverride",
            width=size[0], height=size[1], deviceScaleFactor=1, mobile=phone,
        )  # fmt: skip
        scheme = {"name": "prefers-color-scheme", "value": "dark" if dark else "light"}
        self._tell("Emulation.setEmulatedMedia", media="", features=[scheme])
        self._tell("Emulation.setScriptExecutionDisabled", value=not scripts)
        self.complaints(), self.requests()  # of pages before
        self.driver.get(address)

    def _tell(self, command: str, **words: Any) -> Any:
        return self.driver.execute_cdp_cmd(command, words)

    def run(self, script: str, *arguments: Any) -> Any:
        """Run a script in the page and hand back what it returns."""
        return self.driver.execute_script(script, *arguments)

    def complaints(self) -> list[str]:
        """Warnings and errors on the console since the last call."""
        return [
            f"{entry['level']} {entry['message']}"
            for entry in self.driver.get_log("browser")
            if entry["level"] in ("WARNING", "SEVERE")
        ]

    def requests(self) -> list[str]:
        """Addresses asked for since the last call."""
        events = [json.loads(e["message"])["message"] for e in self.driver.get_log("performance")]
        return [
            event["params"]["request"]["url"]
            for event in events
            if event["method"] == "Network.requestWillBeSent"
        ]

    def move(self, x: float, y: float) -> None:
        """Move the pointer to a place in the window [CSS pixel]."""
        self._tell("Input.dispatchMouseEvent", type="mouseMoved", x=x, y=y)

    def key(self, name: str) -> None:
        """Press and release a key."""
        for kind in ("keyDown", "keyUp"):
            text = {"text": name} if len(name) == 1 and kind == "keyDown" else {}
            self._tell("Input.dispatchKeyEvent", type=kind, key=name, code=name, **text)

    def contrasts(self) -> list[tuple[float, str, str, str]]:
        """Contrast of every text that is seen, text, ink and ground; pictures among them.

        Source: WCAG 2.2, 1.4.3 with the definition of relative luminance.
        """
        return [tuple(one) for one in self.run(CONTRAST)]

    def barriers(self) -> list[Any]:
        """What axe-core calls serious or critical; folded parts are looked at unfolded."""
        self.run("document.querySelectorAll('details').forEach(d => { d.open = true; })")
        self.run(AXE.read_text(encoding="utf-8"))
        found = self.driver.execute_async_script(
            "const done = arguments[arguments.length - 1];"
            "axe.run(document, {resultTypes: ['violations']}).then(r => done(JSON.stringify("
            "r.violations.map(v => [v.id, v.impact, v.nodes.map(n => n.html.slice(0, 160))]))))"
        )
        return [one for one in json.loads(found) if one[1] in ("serious", "critical")]

    def on_paper(self, width: int) -> None:
        """Lay the page out as for a sheet whose text is so many CSS pixels wide."""
        self._tell("Emulation.setDeviceMetricsOverride", width=width, height=1000,
                   deviceScaleFactor=1, mobile=False)  # fmt: skip
        self._tell("Emulation.setEmulatedMedia", media="print")

    def printed(self) -> bytes:
        """The page as PDF on A4, as the print dialogue would make it."""
        made = self._tell(
            "Page.printToPDF", paperWidth=8.27, paperHeight=11.69, preferCSSPageSize=True,
            printBackground=False,
        )  # fmt: skip
        return base64.b64decode(made["data"])

    def picture(self, path: Path) -> None:
        """The whole page as PNG."""
        height = self.run("return document.documentElement.scrollHeight")
        width = self.run("return window.innerWidth")
        clip = {"x": 0, "y": 0, "width": width, "height": height, "scale": 1}
        made = self._tell(
            "Page.captureScreenshot", format="png", captureBeyondViewport=True, clip=clip
        )
        path.write_bytes(base64.b64decode(made["data"]))
