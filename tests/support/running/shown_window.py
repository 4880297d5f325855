"""The window in a browser, as somebody in front of it: looks, fills in, presses."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from browser import Browser
from program import wait_for


class Shown:
    """A window in a browser."""

    def __init__(
        self, browser: Browser, address: str, pages: dict[str, str], folder: Path = Path()
    ) -> None:
        self.browser = browser
        self.folder = folder
        self.root = address.split("/?")[0]
        self.pages = pages
        browser.visit(address)

    def go(self, path: str, **how: Any) -> None:
        self.browser.visit(self.root + path, **how)

    def run(self, script: str, *words: Any) -> Any:
        return self.browser.run(script, *words)

    def until(self, script: str, seconds: float = 60) -> None:
        wait_for(lambda: bool(self.run(f"return {script}")), seconds)

    def fill(self, form: str, **values: str) -> None:
        for name, value in values.items():
            field = name if name.isupper() else "--" + name.replace("_", "-")
            self.run(
                "const i = document.querySelector(`form[data-action='${arguments[0]}'] "
                "[name='${arguments[1]}']`);"
                "if (i.type === 'checkbox') i.checked = true; else i.value = arguments[2];",
                form, field, value,
            )  # fmt: skip

    def press(self, form: str) -> None:
        self.run(
            "document.querySelector(`form[data-action='${arguments[0]}'] [type=submit]`).click()",
            form,
        )
