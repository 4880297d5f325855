"""Text out of a file, as it may go to a terminal, a cell of a table, or a page."""

from __future__ import annotations

import re
import unicodedata

# What a name out of a file could do to a terminal: move the cursor, set colours and title, turn
# the direction of writing (Unicode 15, C0 and C1 controls, and the explicit directional
# formatting characters). All but line breaks and tabs are shown as what they are: no letters.
_CONTROLS = dict.fromkeys(
    [
        *(code for code in (*range(0x20), *range(0x7F, 0xA0)) if code not in (0x09, 0x0A)),
        *range(0x202A, 0x202F),
        *range(0x2066, 0x206A),
    ],
    "\N{REPLACEMENT CHARACTER}",
)


_ESCAPED = {code: f"\\u{code:04x}" for code in _CONTROLS}


def harmless(text: str) -> str:
    """Text without control characters, whatever file it came from."""
    return text.translate(_CONTROLS)


def composed(text: str) -> str:
    """A name with its letters composed (Unicode Standard Annex 15, NFC).

    macOS keeps names of files in pieces, so that one name has two spellings that look alike.
    """
    return unicodedata.normalize("NFC", text)


def one_line(text: str) -> str:
    """Text without control characters and line breaks."""
    return " ".join(harmless(" ".join(text.split())).split())


def cell(text: str) -> str:
    """A cell that no spreadsheet runs and no terminal obeys; JSON has texts as they are.

    Spreadsheets take what begins with =, +, - or @ for a formula (OWASP, CSV Injection), some cut
    at any separator first. An apostrophe before it makes it text.
    """
    return re.sub(r"(^|[,;\t\n|\"'])(?=[\s\"']*[=+\-@＝＋－＠])", r"\1'", harmless(text))


def quoted(text: str) -> str:
    """A string of JSON and of TOML, true to the letter; TOML forbids one control more than JSON."""
    import json

    return escaped(json.dumps(text, ensure_ascii=False))


def escaped(document: str) -> str:
    """A document of quoted strings that says the same without control characters."""
    return document.translate(_ESCAPED)


def markup(text: str) -> str:
    """Text of an element or a quoted attribute of HTML or SVG."""
    import html

    return html.escape(harmless(text), quote=True)
