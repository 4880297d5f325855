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
