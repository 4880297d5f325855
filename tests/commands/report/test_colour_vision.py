"""Curves of a page are told apart by any colour vision: by their dashes or their colours."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from colour_vision import PIXEL_M, VISIONS, alike, lab

CLI = Path(__file__).parents[3] / "cli"


def test_six_and_thirty_curves_differ() -> None:
    from cli.pictures.plots import look

    assert len({look(k) for k in range(36)}) == 36


def palettes(path: str) -> dict[str, dict[str, Any]]:
    """Colours of curves in a style sheet: of light, dark, print in their order."""
    found: list[dict[str, Any]] = []
    text = (CLI / path).read_text(encoding="utf-8")
    for number, *parts in re.findall(r"--curve-(\d): #(..)(..)(..);", text):
        if number == "1":
            found.append({})
        found[-1][number] = np.array([int(part, 16) for part in parts]) / 255
    return dict(zip(("light", "dark", "print"), found, strict=False))


@pytest.mark.parametrize(
    ("sheet", "script"),
    [("report/style.css", "report/explore.js"), ("window/static/window.css",
                                                 "window/static/chart.js")],
)  # fmt: skip
def test_curves_of_a_page_have_dashes_of_their_own(sheet: str, script: str) -> None:
    text = (CLI / script).read_text(encoding="utf-8")
    listed = re.search(r"const DASHES = \[(.*)\];", text)
    assert listed is not None
    dashes = re.findall(r"\[([^\[\]]*)\]", listed[1])
    of_sheet = palettes(sheet)
    assert len(of_sheet) >= 2
    assert all(len(one) == len(dashes) == len({*dashes}) for one in of_sheet.values())


@pytest.mark.parametrize("looks", ["light", "dark"])
def test_broad_curves_of_the_window_differ_in_colour(looks: str) -> None:
    """As measured they are drawn without dashes, five pixels wide."""
    assert alike(palettes("window/static/window.css")[looks], 5 * PIXEL_M) == []


def test_the_measures_see_a_fault() -> None:
    """Red and olive of like lightness are one colour without the long cones or the middle ones.

    CIELAB of the red of sRGB: 53.24, 80.09, 67.20 (common practice, no source).
    """
    assert lab((1, 0, 0), "all three cones") == pytest.approx((53.24, 80.09, 67.20), abs=0.05)
    for matrix in VISIONS.values():
        assert matrix.sum(axis=1) == pytest.approx(1, abs=2e-6)
    ink = {"red": np.array((180, 82, 10)) / 255, "olive": np.array((107, 98, 0)) / 255}
    assert alike(ink, 5 * PIXEL_M) == [f"red and olive, {one}anopia" for one in ("prot", "deuter")]
