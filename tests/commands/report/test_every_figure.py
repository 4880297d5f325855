"""No figure lets a text run into another or out of the picture or leaves a dashed line nameless.

Nor has one curves that only some eyes tell apart.

The boxes are matplotlib's own (`Text.get_window_extent`), of all that is really drawn.
"""

from __future__ import annotations

import ast
from itertools import combinations
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from colour_vision import POINT_M, alike
from every_figure import GROUPS, drawn

CLI = Path(__file__).parents[3] / "cli"
_BREATH = 1.0  # [pixel] by which boxes may touch: they reach a little beyond the ink


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
        and node.name != "new_figure"
    }
    drawn_by = (Path(__file__).parents[2] / "support" / "every_figure.py").read_text()
    assert {name for name in made if f"{name}(" not in drawn_by} == set()
    assert len(made) >= 10
