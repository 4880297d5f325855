"""A report as text with light markup (CommonMark; tables as GitHub reads them)."""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING

from cli.report.page import Answer, Changes, Explored, Lines, Measured, Parameters, Verdicts
from cli.report.parts import Plot
from cli.terminal.cautions import Caution
from cli.terminal.tables import VERDICT_STYLE
from meas.files.outside_text import one_line

if TYPE_CHECKING:
    from cli.report.page import Block, Page
    from cli.report.parts import FindingLine


def text(page: Page) -> str:
    """Write a report."""
    written = [f"# {_safe(page.title)}", _safe(page.subtitle), f"**{_safe(page.lead)}**"]
    for part in page.parts:
        written += [f"## {_safe(part.title)}", *map(_block, part.blocks)]
    written.append(
        f"Made with freeair {_safe(page.version)} on {page.made_on}. All intervals are 95 % "
        "coverage intervals."
    )
    return "\n\n".join(filter(None, written)) + "\n"


def _block(block: Block) -> str:
    match block:
        case str():
            return _safe(block)
        case Lines():
            return _table(block.titles or ("",) * len(block.rows[0]), block.rows)
        case Answer():
            return f"**{_safe(block.word)}** {_safe(block.text)}"
        case Verdicts():
            return _table(
                ("", "", "measured", "95 % between", "allowed", ""),
                [(v.symbol, v.words, v.value, v.interval, v.allowed, v.word)
                 for v in block.verdicts],
            )  # fmt: skip
        case Parameters() | Changes():
            return _block(block.lines())
        case Measured():
            how = _list(f"{name}: {said}" for name, said in block.how)
            return f"{how}\n\n{_block(block.lines())}"
        case Caution():
            return _list([f"{block.title}. {block.text}"])
        case Plot() | Explored():
            return f"(picture: {_safe((getattr(block, 'plot', block)).caption)})"
        case _:
            return _findings(block)


def _findings(items: Sequence[FindingLine]) -> str:
    return _list(f"{item.text}{f' Next: {item.step}' if item.step else ''}" for item in items)


def _table(head: Sequence[str], rows: Sequence[Sequence[str]]) -> str:
    lines = [map(_safe, head), ["---"] * len(head), *(map(_cell, row) for row in rows)]
    return "\n".join(f"| {' | '.join(line)} |" for line in lines)


def _cell(text: str) -> str:
    return f"**{text}**" if text in VERDICT_STYLE else _safe(text)


def _list(items: Iterable[str]) -> str:
    return "\n".join(f"- {_safe(item)}" for item in items)


def _safe(text: str) -> str:
    r"""Escape text so that no renderer takes it for markup.

    A backslash before any ASCII punctuation makes it literal (CommonMark 0.31, 2.4).
    """
    return re.sub(r"([\\`*_\[\]<>|#])", r"\\\1", one_line(text))
