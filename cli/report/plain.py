"""A report as text with light markup (CommonMark; tables as GitHub reads them)."""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING

from cli.report.page import Answer, Changes, Explored, Lines
from cli.report.parts import Plot
from meas.files.outside_text import one_line

if TYPE_CHECKING:
    from cli.report.fit_page import FitPage
    from cli.report.page import Block, Page, Part
    from cli.report.parts import FindingLine


def fit_text(page: FitPage) -> str:
    """Write the report of a fit."""
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
        *_sections(page.steps + page.expected),
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


def page_text(page: Page) -> str:
    """Write the report of a command that says what it found in sections."""
    parts = [f"# {_safe(page.title)}", _safe(page.subtitle), f"**{_safe(page.lead)}**"]
    parts += _sections(page.parts)
    return _joined(parts, page.version, page.made_on)


def _sections(sections: Sequence[Part]) -> Iterable[str]:
    for one in sections:
        yield f"## {_safe(one.title)}"
        yield from map(_block, one.blocks)


def _block(block: Block) -> str:
    match block:
        case str():
            return _safe(block)
        case Lines():
            return _table(block.titles or ("",) * len(block.rows[0]), block.rows)
        case Answer():
            return f"**{_safe(block.word)}** {_safe(block.text)}"
        case Changes():
            head = ("", "", block.before, block.after, "change", "95 % between", "")
            return _table(head, [
                (r.symbol, r.words, r.before, r.after, r.change, r.interval, f"**{r.word}**")
                for r in block.rows
            ])  # fmt: skip
        case Plot() | Explored():
            return f"(picture: {_safe((getattr(block, 'plot', block)).caption)})"
        case _:
            return _findings(block)


def _findings(items: Sequence[FindingLine]) -> str:
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
    r"""Escape text so that no renderer takes it for markup.

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
