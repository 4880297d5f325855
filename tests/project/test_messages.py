"""What the program says is short, and in words of the trade: read from the syntax trees."""

from __future__ import annotations

import ast
import re

import pytest
from messages import TOP, Message, messages

from fit.results.quantities import ORDER, spoken

_MOST_WORDS = 30
_END = re.compile(r"(?<=[.?!])[\"')]*\s+(?=[^a-z\s])|\n+")
_QUOTED = re.compile(r"`[^`]*`|\"[^\"]*\"|'[^']*'|--[\w-]+")
# Keys of files, columns of tables and names of the Python interface: what a reader has to type.
TYPED = {
    "core_resistance", "driver_input", "fb_hz", "fit_driver", "frequency_hz",
    "gentle_below_hz", "half_width", "interval_95", "lower_95", "magnitude_ohm", "measured_ohm",
    "phase_deg", "reactance_ohm", "resistance_ohm", "resistor_side", "series_resistance",
    "series_resistor_ohm", "source_input", "standard_uncertainty", "start_hz", "stop_hz",
    "taken_at", "tolerance_percent", "tone_seconds", "upper_95",
}  # fmt: skip

ALL = messages()


def sentences(message: Message) -> list[str]:
    """Sentences of a message; a semicolon or a colon ends none."""
    return _END.split(message.text)


def words(sentence: str) -> int:
    """Count words as a reader does: a field is one, a sign alone is none."""
    return sum(bool(re.search(r"\w", word)) for word in re.sub(r"\{\w+\}", "X", sentence).split())


def codes() -> set[str]:
    """Codes of findings that are several words joined by hyphens."""
    found = set()
    for folder in ("meas", "fit", "cli"):
        for file in (TOP / folder).rglob("*.py"):
            for node in ast.walk(ast.parse(file.read_text(encoding="utf-8"))):
                match node:
                    case ast.Call(ast.Name("Finding"), [ast.Constant(str(code)), *_]):
                        found.add(code)
    return {code for code in found if "-" in code}


def test_the_list_holds_what_is_known_to_be_said() -> None:
    """One text of each kind: finding, refusal, next step, caution, question, help, heading."""
    said = "\n".join(message.text for message in ALL)
    for text in (
        "The driver input carries more than the source input",
        "an added mass and a test box at once",
        "Take both channels from one device",
        "Strong magnets pinch fingers",
        "How shall the moving mass be found?",
        "Cone from mid-surround to mid-surround, such as 118mm.",
        "What reaches the drivers",
    ):
        assert text in said, text
    assert len(ALL) > 2000


def test_no_sentence_is_long() -> None:
    long = [
        f"{message.file}:{message.line}: {words(sentence)} words: {sentence}"
        for message in ALL
        for sentence in sentences(message)
        if words(sentence) > _MOST_WORDS
    ]
    assert not long, "\n".join(long)


def test_a_long_sentence_is_seen() -> None:
    long = Message("here.py", 1, "Short one. " + "Word " * 31)
    assert [words(sentence) for sentence in sentences(long)] == [2, 31]


def test_no_message_holds_a_word_of_the_machine() -> None:
    machine = codes()
    assert {"two-resonances", "wrong-resistor-side"} <= machine
    found = []
    for message in ALL:
        text = re.sub(r"\{\w+\}", "X", _QUOTED.sub("X", message.text))
        names = set(re.findall(r"(?<![\w.:])[a-z]+(?:_[a-z0-9]+)+(?![\w.])", text)) - TYPED
        names |= set(re.findall(r"(?<![\w-])[a-z]+(?:-[a-z]+)+(?![\w-])", text)) & machine
        found += [f"{message.file}:{message.line}: {name}: {message.text}" for name in names]
    assert not found, "\n".join(found)


@pytest.mark.parametrize("symbol", (*ORDER, "Cmes"))
def test_quantities_are_spoken_without_their_keys(symbol: str) -> None:
    assert "_" not in spoken(symbol)
    assert len(spoken(symbol).split()) > 1
