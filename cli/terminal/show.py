"""Printing: what a command says in words and tables, 80 columns wide or less.

Results go to standard output; progress, cautions, notes and errors to standard error. Colour
only on a terminal that has it (rich honours NO_COLOR and TERM=dumb), and never alone: every
colour stands beside a word.
"""

from __future__ import annotations

import codecs
import os
import re
import sys
from typing import TYPE_CHECKING, Any, TextIO

from meas.files.outside_text import harmless

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence
    from pathlib import Path

    from rich.console import Console, ConsoleOptions, RenderableType
    from rich.segment import Segment

    from meas.errors import Finding

WIDEST = 100  # lines of prose longer than this tire the eye, however wide the window

_PLAIN = {
    "Ω": "ohm", "µ": "u", "μ": "u", "±": "+-", "²": "2", "³": "3", "η": "eta", "−": "-", "–": "-",
    "—": "-", "…": "...", "·": ".", "•": "*", "●": "o", "◆": "o", "│": "|", "─": "-", "┌": "+",
    "┐": "+", "└": "+", "┘": "+", "├": "+", "┤": "+", "┬": "+", "┴": "+", "┼": "+", "━": "=",
    "▾": "v", "┊": ":",
    "▸": ">", "→": "->", "°": "deg ", "≈": "about ", "≤": "<=", "≥": ">=", "×": "x", "█": "#",
    "▏": "|", "▕": "|", "╌": "-", "°C": "C",
}  # fmt: skip


def _spell_out(error: UnicodeError) -> tuple[str, int]:
    if not isinstance(error, UnicodeEncodeError):
        raise error
    piece = error.object[error.start : error.end]
    return "".join(_PLAIN.get(letter) or _without_accent(letter) for letter in piece), error.end


def _without_accent(letter: str) -> str:
    import unicodedata

    base = unicodedata.normalize("NFKD", letter)[0]
    return base if base.isascii() else "?"


def prepare_streams(*, as_json: bool = False) -> None:
    """Make both streams spell out what their encoding lacks instead of failing.

    Args:
        as_json: Standard output carries JSON, which is UTF-8 wherever it goes (RFC 8259, 8.1);
            Windows would write a redirected stream in a code page of its own.
    """
    codecs.register_error("freeair-spell-out", _spell_out)
    for stream in (sys.stdout, sys.stderr):
        reconfigure = getattr(stream, "reconfigure", None)
        if reconfigure is not None:
            reconfigure(errors="freeair-spell-out")
            if as_json and stream is sys.stdout:
                reconfigure(encoding="utf-8")


def console(*, stderr: bool = False) -> Console:
    """A console on the stream as it is now, at most `WIDEST` columns wide."""
    from rich.console import Console
    from rich.text import Text

    class Spelling(Console):
        """Spells out before lines are wrapped and columns measured, for that makes text longer."""

        def render_str(self, text: str, **named: Any) -> Text:
            return super().render_str(spelt(text, stderr=stderr), **named)

        def render(
            self, renderable: RenderableType, options: ConsoleOptions | None = None
        ) -> Iterable[Segment]:
            # Once more for what was made without `render_str`; commands of rich are its own.
            for segment in super().render(renderable, options):
                yield segment if segment.control else segment._replace(text=harmless(segment.text))

    stream: TextIO = sys.stderr if stderr else sys.stdout
    made = Spelling(file=stream, highlight=False, markup=False, emoji=False)
    if made.width > WIDEST:
        made.width = WIDEST
    # A stream that breaks lines and draws tables by itself says how long a line may be.
    made.width = getattr(stream, "line_length", made.width)
    return made


def spelt(text: str, *, stderr: bool = False) -> str:
    """Text in what the stream's encoding has, without control characters."""
    text = harmless(text)
    stream: TextIO = sys.stderr if stderr else sys.stdout
    encoding = stream.encoding or "utf-8"
    try:
        return text.encode(encoding, "freeair-spell-out").decode(encoding)
    except LookupError:  # streams were never prepared, or go nowhere
        return text


def can_ask() -> bool:
    """Tell whether somebody sits there who can read a question and answer it."""
    return all(
        stream is not None and not stream.closed and stream.isatty()
        for stream in (sys.stdin, sys.stderr)
    )


def can_draw() -> bool:
    """Tell whether standard error takes braille and blocks; the Linux console has no such font."""
    try:
        "⠿█┤".encode(sys.stderr.encoding or "ascii")
    except (UnicodeError, LookupError):
        return False
    return os.environ.get("TERM") != "linux"


def say(*renderables: RenderableType) -> None:
    """Print part of the result on standard output; one that can show tables gets them so."""
    from rich.console import Group
    from rich.table import Table

    take_table = getattr(sys.stdout, "take_table", None)
    for one in renderables:
        if take_table is not None and isinstance(one, Group):
            say(*one.renderables)
        elif take_table is not None and isinstance(one, Table):
            take_table(one)
        else:
            console().print(one)


def note(text: str, style: str = "") -> None:
    """Print beside the result, on standard error."""
    console(stderr=True).print(text, style=style or None)


def line(text: str) -> None:
    """Print one line on standard output, for scripts exactly as it is."""
    if sys.stdout is not None and sys.stdout.isatty():
        text = harmless(text)
    sys.stdout.write(text + "\n")
    sys.stdout.flush()


def document(content: Mapping[str, Any]) -> None:
    """Print one JSON object on standard output, without the NaN that JSON does not have."""
    import json

    line(json.dumps(content, ensure_ascii=False, allow_nan=False))


def files(made: Mapping[str, Path | None], *, as_json: bool) -> None:
    """Name the files that were made, beside standard output where that carries JSON."""
    for name, path in made.items():
        if path is not None:
            (note if as_json else line)(f"{name}: {path}")


def heading(text: str, *, stderr: bool = False) -> None:
    """Print a heading with air above."""
    target = console(stderr=stderr)
    target.print()
    target.print(text, style="bold")


def default_taken(text: str) -> None:
    """Say which default stands in for what nobody said; an empty text says nothing."""
    if text:
        note(f"taken: {text}", "dim")


def findings(items: Iterable[Finding], *, stderr: bool = False) -> None:
    """Print findings as items of a list, what was found before its ground and the next step."""
    target = console(stderr=stderr)
    for item in items:
        text = hanging(
            f"  • {refusal(item) if item.refuses else sentence(item.text)}", target.width
        )
        target.print(text, style="red" if item.refuses else None, soft_wrap=True)


def under(title: str, items: Sequence[Finding]) -> None:
    """Print findings below a heading; nothing at all where there are none."""
    if items:
        heading(title)
        findings(items)


def refusal(reason: Finding) -> str:
    """A reason in words; its code behind it where no person reads but a script or a log."""
    text = sentence(reason.text)
    stream = sys.stderr
    read_by_a_person = getattr(stream, "in_window", False) or (stream and stream.isatty())
    return text if read_by_a_person else f"{text} [{reason.code}]"


def indented(text: str, width: int) -> str:
    """Text wrapped and set in, without the trailing blanks of a padded box."""
    import textwrap

    return "\n".join(
        textwrap.fill(spelt(part), width, initial_indent="  ", subsequent_indent="  ",
                      break_on_hyphens=False, break_long_words=False)
        for part in text.splitlines()
    )  # fmt: skip


def hanging(text: str, width: int | None = None) -> str:
    """An indented item of a list whose further lines are set in deeper than its first."""
    import textwrap

    by = len(text) - len(text.lstrip())
    return textwrap.fill(
        spelt(text.lstrip()), width or console().width, initial_indent=" " * by,
        subsequent_indent=" " * (by + 2 if by else 0), break_on_hyphens=False,
    )  # fmt: skip


def titled(title: str, text: str, style: str) -> None:
    """Print a title and the text that belongs to it, on standard error."""
    target = console(stderr=True)
    target.print(title, style=style, soft_wrap=True)
    if text:
        target.print(indented(text, target.width), soft_wrap=True)


def fault(head: str, body: str, remedy: str = "") -> None:
    """Print an error on standard error: what and where, then what to do."""
    titled(head, "\n".join(filter(None, (sentence(body), sentence(remedy)))), "bold red")


def counted(number: int, one: str, several: str = "") -> str:
    """A number of things: ``1 fit``, ``2 fits``."""
    return f"{number} {one if number == 1 else several or f'{one}s'}"


def sentence(text: str) -> str:
    """Text with its full stop; a command at its end is left as it is to be typed."""
    done = not text or text[-1] in ".?!]" or re.search(r": freeair [^?!]*$", text)
    return text if done else f"{text}."
