"""No figure lets a text run into another or out of the picture or leaves a dashed line nameless.

Nor has a figure or a page curves that only some eyes tell apart.

The boxes are matplotlib's own (`Text.get_window_extent`), of all that is really drawn.

Colour-blind eyes are simulated by the matrices of G. M. Machado, M. M. Oliveira,
L. A. F. Fernandes, IEEE Trans. Vis. Comput. Graph. 15, 2009, table 1 at severity 1.0 (from memory;
each row adds up to one, for grey stays grey), for linear sRGB. Differences are those of CIELAB
(CIE 15:2004, 8.2.1). How large they must be depends on the width of a line: half of all people see
a difference in one coordinate from p (A + B/s) on, p = 0.5 and s the visual angle in degrees
(M. Stone, D. A. Szafir, V. Setlur, Proc. 22nd Color and Imaging Conf., 2014, table 1; from memory).
"""

from __future__ import annotations

import ast
import re
from itertools import combinations
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from every_figure import GROUPS, drawn
from numpy.typing import NDArray

CLI = Path(__file__).parents[3] / "cli"
_BREATH = 1.0  # [pixel] by which boxes may touch: they reach a little beyond the ink


VISIONS = {
    "all three cones": np.eye(3),
    "protanopia": np.array([
        (0.152286, 1.052583, -0.204868),
        (0.114503, 0.786281, 0.099216),
        (-0.003882, -0.048116, 1.051998),
    ]),
    "deuteranopia": np.array([
        (0.367322, 0.860646, -0.227968),
        (0.280085, 0.672501, 0.047413),
        (-0.011820, 0.042940, 0.968881),
    ]),
    "tritanopia": np.array([
        (1.255528, -0.076749, -0.178779),
        (-0.078411, 0.930809, 0.147602),
        (0.004733, 0.691367, 0.303900),
    ]),
}  # fmt: skip
# IEC 61966-2-1:1999, linear sRGB to CIE 1931 XYZ, white D65.
XYZ = np.array([(0.4124, 0.3576, 0.1805), (0.2126, 0.7152, 0.0722), (0.0193, 0.1192, 0.9505)])
JUST_SEEN = 0.5 * np.array([(10.16, 1.50), (10.68, 3.08), (10.70, 5.74)])  # L*, a*, b*
AWAY_M = 0.6  # from eye to screen or paper (common practice, no source)
PIXEL_M, POINT_M = 25.4e-3 / 96, 25.4e-3 / 72


def lab(rgb: Any, vision: str) -> NDArray[np.float64]:
    """CIELAB of a colour of sRGB, 0 to 1, as a vision has it."""
    c = np.asarray(rgb, dtype=float)
    linear = np.where(c <= 0.04045, c / 12.92, ((c + 0.055) / 1.055) ** 2.4)
    t = XYZ @ np.clip(VISIONS[vision] @ linear, 0, 1) / XYZ.sum(axis=1)
    f = np.where(t > (6 / 29) ** 3, np.cbrt(t), t / (3 * (6 / 29) ** 2) + 4 / 29)
    return np.array([116 * f[1] - 16, 500 * (f[0] - f[1]), 200 * (f[1] - f[2])])


def apart(one: Any, other: Any, width_m: float, vision: str) -> float:
    """Difference of two lines of a width, counted in differences that are just seen."""
    degrees = np.degrees(width_m / AWAY_M)
    off = (lab(one, vision) - lab(other, vision)) / (JUST_SEEN @ (1, 1 / degrees))
    return float(np.linalg.norm(off))


def alike(curves: dict[str, Any], width_m: float) -> list[str]:
    """Pairs of colours that some vision takes for one."""
    return [
        f"{a} and {b}, {vision}"
        for (a, one), (b, other) in combinations(curves.items(), 2)
        for vision in VISIONS
        if apart(one, other, width_m, vision) < 1
    ]


def texts(figure: Any) -> list[tuple[str, Any]]:
    """Every text that is drawn, with its box [pixel]."""
    from matplotlib.axis import Axis
    from matplotlib.text import Text

    figure.draw_without_rendering()
    ticks = {text for axis in figure.findobj(Axis) for text in _all_labels(axis)}
    shown = {text for axis in figure.findobj(Axis) for text in _shown_labels(axis)}
    found = []
    for text in figure.findobj(Text):
        if not text.get_text().strip() or not _visible(text):
            continue
        if text in ticks and text not in shown:
            continue
        found.append((text.get_text(), text.get_window_extent()))
    return found


def _visible(artist: Any) -> bool:
    axes = getattr(artist, "axes", None)
    hidden_axis = axes is not None and not axes.axison and artist not in axes.texts
    return artist.get_visible() and not hidden_axis and (axes is None or axes.get_visible())


def _all_labels(axis: Any) -> list[Any]:
    ticks = [*axis.get_major_ticks(), *axis.get_minor_ticks()]
    return [label for tick in ticks for label in (tick.label1, tick.label2)]


def _shown_labels(axis: Any) -> list[Any]:
    low, high = sorted(axis.get_view_interval())
    room = 1e-9 * (high - low)
    return [
        label
        for tick in (*axis.get_major_ticks(), *axis.get_minor_ticks())
        if low - room <= tick.get_loc() <= high + room and tick.get_visible()
        for label in (tick.label1, tick.label2)
        if label.get_visible()
    ]


def faults(figure: Any) -> list[str]:
    """Texts that overprint each other or are cut off."""
    found, page = texts(figure), figure.bbox
    told = [
        f"cut off: {text!r}"
        for text, box in found
        if box.x0 < -_BREATH or box.y0 < -_BREATH
        or box.x1 > page.x1 + _BREATH or box.y1 > page.y1 + _BREATH
    ]  # fmt: skip
    for (one, a), (other, b) in combinations(found, 2):
        across = min(a.x1, b.x1) - max(a.x0, b.x0)
        up = min(a.y1, b.y1) - max(a.y0, b.y0)
        if across > _BREATH and up > _BREATH:
            told.append(f"overprinted: {one!r} and {other!r}")
    return told


def nameless(figure: Any) -> list[str]:
    """Lines that are not solid and stand in no legend, by colour and dashes."""

    def look(line: Any) -> tuple[Any, Any]:
        from matplotlib.colors import to_rgb

        # Dashes scale with the width of the line.
        width = line.get_linewidth() if line.is_dashed() else 1.0
        pattern = line._unscaled_dash_pattern[1]
        return to_rgb(line.get_color()), tuple(pattern) if pattern and width else None

    legends = [axes.get_legend() for axes in figure.axes if axes.get_legend()] + figure.legends
    named = {look(line) for legend in legends for line in legend.get_lines()}
    return [
        f"{line.get_color()} {look(line)[1]} in {axes.get_ylabel()!r}"
        for axes in figure.axes
        for line in axes.lines
        if line.is_dashed() and line.get_visible() and look(line) not in named
    ]


@pytest.mark.parametrize("group", GROUPS)
def test_no_text_covers_another_or_is_cut(group: str) -> None:
    figures = drawn(group)
    assert figures
    told = [f"figure {k}: {fault}" for k, figure in enumerate(figures) for fault in faults(figure)]
    assert told == []


@pytest.mark.parametrize("group", [name for name in GROUPS if name != "sheets"])
def test_every_dashed_line_has_a_name(group: str) -> None:
    told = [f"figure {k}: {f}" for k, figure in enumerate(drawn(group)) for f in nameless(figure)]
    assert told == []


def named(axes: Any) -> list[tuple[str, Any, tuple[Any, ...], float]]:
    """Curves that a legend names: name, colour on white, everything else of the look, width [m]."""
    from matplotlib.colors import to_rgb

    return [
        (
            line.get_label(),
            1 - (line.get_alpha() or 1) * (1 - np.array(to_rgb(line.get_color()))),
            (line._unscaled_dash_pattern, line.get_marker(), line.get_linewidth()),
            line.get_linewidth() * POINT_M,
        )
        for line in axes.lines
        if line.get_visible() and not line.get_label().startswith("_")
    ]


@pytest.mark.parametrize("group", [name for name in GROUPS if name != "sheets"])
def test_curves_of_a_picture_differ_in_dashes_or_in_colour(group: str) -> None:
    told = [
        f"{a[0]} and {b[0]}: {fault}"
        for figure in drawn(group)
        for axes in figure.axes
        for a, b in combinations(named(axes), 2)
        if a[2] == b[2]
        for fault in alike({a[0]: a[1], b[0]: b[1]}, a[3])
    ]
    assert told == []


def test_the_measures_see_a_fault() -> None:
    from matplotlib.figure import Figure

    figure = Figure(figsize=(4, 3))
    axes = figure.subplots()
    axes.plot([0, 1], [0, 1], "--")
    axes.text(0.5, 0.5, "one text")
    axes.text(0.52, 0.5, "another")
    figure.text(0.97, 0.5, "out of it")
    told = faults(figure)
    assert any("overprinted" in one for one in told)
    assert any("cut off: 'out of it'" in one for one in told)
    assert len(nameless(figure)) == 1


def test_every_figure_of_the_program_is_among_them() -> None:
    """A function that makes a figure has to be called by `every_figure`."""
    made = {
        node.name
        for path in CLI.rglob("*.py")
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8")))
        if isinstance(node, ast.FunctionDef)
        and (node.name.endswith("_figure") or node.name == "figure")
    }
    drawn_by = (Path(__file__).parents[2] / "support" / "every_figure.py").read_text()
    assert {name for name in made if f"{name}(" not in drawn_by} == set()
    assert len(made) >= 10


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


def test_the_measures_of_colour_see_a_fault() -> None:
    """Red and olive of like lightness are one colour without the long cones or the middle ones.

    CIELAB of the red of sRGB: 53.24, 80.09, 67.20 (common practice, no source).
    """
    assert lab((1, 0, 0), "all three cones") == pytest.approx((53.24, 80.09, 67.20), abs=0.05)
    for matrix in VISIONS.values():
        assert matrix.sum(axis=1) == pytest.approx(1, abs=2e-6)
    ink = {"red": np.array((180, 82, 10)) / 255, "olive": np.array((107, 98, 0)) / 255}
    assert alike(ink, 5 * PIXEL_M) == [f"red and olive, {one}anopia" for one in ("prot", "deuter")]
