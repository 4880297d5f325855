"""A report as text with light markup (CommonMark; tables as GitHub reads them)."""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING

from meas.files.outside_text import one_line

if TYPE_CHECKING:
    from cli.report.comparison_page import ComparisonPage
    from cli.report.fit_page import FitPage
    from cli.report.page import Lines, Page, Part
    from cli.report.parts import Plot, Told


def fit_text(page: FitPage) -> str:
    """The report of a fit."""
    parts = [f"# {_safe(page.title)}", _safe(page.subtitle), f"**{_safe(page.lead)}**"]
    if page.verdicts:
        parts += [
            "## Is it what was meant?",
            _table(
                ("", "", "measured", "95 % between", "allowed", ""),
                [
                    (v.symbol, v.words, v.value, v.interval, v.allowed, f"**{v.word}**")
                    for v in page.verdicts
                ],
            ),
        ]
    if page.findings:
        parts += ["## Why, and what to try next", _findings(page.findings)]
    if page.warnings:
        parts += ["## Doubts", _findings(page.warnings)]
    parts += [
        "## Parameters",
        _table(
            ("", "", "value", "95 % between", "limited by"),
            [
                (p.symbol, p.words, p.value, p.interval, "; ".join(p.limits))
                for p in (*page.parameters, *page.rarer)
            ],
        ),
        *_sections(page.expected),
        *(["## What would narrow the intervals, and what would not"] if page.steps else []),
        _list(page.steps),
        "## How it was measured",
        _list(f"{name}: {text}" for name, text in page.how),
        _table(
            ("take", "condition", "points", "off model, rms", "from"),
            [(str(c.number), c.condition, str(c.points), c.off, c.source) for c in page.curves],
        ),
    ]
    if page.cautions:
        parts += ["## Before you measure again"]
        parts += [_list(f"{caution.title}. {caution.text}" for caution in page.cautions)]
    return _joined(parts, page.version, page.made_on)


def comparison_text(page: ComparisonPage) -> str:
    """The report of a comparison."""
    parts = [f"# {_safe(page.title)}", _safe(page.subtitle), f"**{_safe(page.lead)}**"]
    parts.append(_safe(page.unsure))
    if page.settled[1]:
        parts += ["## Has it settled?", _safe(page.settled[1])]
    if page.pairs:
        parts += ["## Do they match?"]
        parts += [
            _list(f"{p.first} and {p.second}: {p.verdict}. {p.text}" for p in page.pairs)
        ]  # fmt: skip
    for step in page.steps:
        parts += [f"## {_safe(step.title)}", _safe(step.words)]
        rows = [
            (r.symbol, r.words, r.before, r.after, r.change, r.interval, f"**{r.word}**")
            for r in step.rows
        ]
        parts += [] if not rows else [
            _table(("", "", step.before, step.after, "change", "95 % between", ""), rows)
        ]  # fmt: skip
        parts.append(_safe(step.unchanged))
    parts += ["## The curves", _safe(page.curve_words)]
    if page.notes:
        parts += ["## What was assumed", _list(page.notes)]
    return _joined(parts, page.version, page.made_on)


def page_text(page: Page) -> str:
    """The report of a command that says what it found in sections."""
    parts = [f"# {_safe(page.title)}", _safe(page.subtitle), f"**{_safe(page.lead)}**"]
    parts += _sections(page.parts)
    return _joined(parts, page.version, page.made_on)


def _sections(sections: Sequence[Part]) -> Iterable[str]:
    for one in sections:
        yield f"## {_safe(one.title)}"
        yield from map(_block, one.blocks)


def _block(block: str | Lines | Plot | tuple[Told, ...]) -> str:
    if isinstance(block, str):
        return _safe(block)
    if isinstance(block, tuple):
        return _findings(block)
    rows = getattr(block, "rows", None)
    if rows is None:
        return f"(picture: {_safe(block.caption)})"  # type: ignore[union-attr]  # a Plot
    return _table(block.titles or ("",) * len(rows[0]), rows)  # type: ignore[union-attr]


def _findings(items: Sequence[Told]) -> str:
    return _list(f"{item.text}{f' Next: {item.step}' if item.step else ''}" for item in items)


def _table(head: Sequence[str], rows: Sequence[Sequence[str]]) -> str:
    lines = [head, ["---"] * len(head), *rows]
    return "\n".join(f"| {' | '.join(_cell(text) for text in line)} |" for line in lines)


def _cell(text: str) -> str:
    bold = re.fullmatch(r"\*\*(.*)\*\*", text)
    return f"**{_safe(bold[1])}**" if bold else _safe(text)


def _list(items: Iterable[str]) -> str:
    return "\n".join(f"- {_safe(item)}" for item in items)


def _safe(text: str) -> str:
    r"""Text that no renderer takes for markup.

    A backslash before any ASCII punctuation makes it literal (CommonMark 0.31, 2.4).
    """
    if text == "---":
        return text
    return re.sub(r"([\\`*_\[\]<>|#])", r"\\\1", one_line(text))


def _joined(parts: Iterable[str], version: str, made_on: str) -> str:
    told = (
        f"Made with freeair {_safe(version)} on {made_on}. All intervals are 95 % coverage "
        "intervals."
    )
    return "\n\n".join([*(part for part in parts if part), told]) + "\n"
