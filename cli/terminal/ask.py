"""Questions at a terminal: one line each, checked at once, with a way out of every one.

One style for all of them: Enter takes what stands in brackets, a question mark explains, ``leave``
stops. Where something will sound, only Enter or a clear yes lets it.
"""

from __future__ import annotations

import contextlib
import sys
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field

from cli.terminal import show
from meas.errors import UsageError
from meas.files.outside_text import harmless

LEAVE, SKIP, BACK, EXPLAIN = "leave", "skip", "back", "?"
_YES = frozenset({"y", "yes", "yep", "ok", "okay", "sure", "ready", "go"})
_NO = frozenset({"n", "no", "nope", "not yet"})
_UNKNOWN = frozenset({SKIP, "none", "no", "unknown", "dunno"})


class Left(Exception):
    """The person at the terminal wants to stop here."""


class Skipped(Exception):
    """The person at the terminal does not want this step."""


class WentBack(Exception):
    """The person at the terminal wants the step before once more."""


@dataclass(frozen=True)
class Question:
    """Question to somebody at the terminal.

    Attributes:
        text: Without the question mark's neighbours: default and options are added.
        why: What it is for, shown at a question mark.
        flag: The option that says the same on the command line; empty where there is none.
        default: What Enter means; None where that is nothing.
        optional: Whether nothing may be said; the answer is empty then.
        options: Permitted words and what they mean; empty: anything that ``check`` lets pass.
        check: Raises `UsageError` for an answer that cannot be read.
        plain: Turns an answer as people write it into one that the command line takes.
        may_skip: Whether the whole step may be skipped here.
    """

    text: str
    why: str
    flag: str = ""
    default: str | None = None
    optional: bool = False
    options: Mapping[str, str] = field(default_factory=dict)
    check: Callable[[str], object] | None = None
    plain: Callable[[str], str] | None = None
    may_skip: bool = False


def ask(question: Question) -> str:
    """Ask until the answer means something.

    Returns:
        The answer as the command line takes it, or the option chosen.

    Raises:
        Left: At the word ``leave`` or the end of input.
        Skipped: At the word ``skip``, where the question allows it.
        WentBack: At the word ``back``.
    """
    widest = max(map(len, question.options), default=0)
    for word, meaning in question.options.items():
        show.note(f"  {word:<{widest}}  {meaning}")
    while True:
        known = question.default or ("Enter: unknown" if question.optional else "")
        hint = f" [{known}]" if known else ""
        answer = _line(question.text, question.why, question.flag, hint, question.may_skip)
        try:
            return _understood(question, answer)
        except UsageError as error:
            _beside(f"{error.what}. {error.remedy}", "yellow")


def confirmed(text: str, why: str, *, default: bool | None = True) -> bool:
    """Ask what yes or no answers; Enter alone says nothing without a default; raises as `ask`."""
    hint = " (yes or no)" if default is None else f" [{'yes' if default else 'no'}]"
    while True:
        answer = _line(text, why, "", hint, may_skip=False).lower()
        if not answer and default is not None:
            return default
        if answer in _YES or answer in _NO:
            return answer in _YES
        _beside(f"'{answer}' is neither. Write yes or no." if answer else "Write yes or no.",
                "yellow")  # fmt: skip


def wait_until_ready(text: str, why: str, *, may_skip: bool = False) -> None:
    """Wait for Enter or a clear yes before something sounds; raises as `ask` does."""
    _forget_what_was_typed()
    while True:
        answer = _line(text, f"{why} Enter or yes goes on; until then nothing sounds.", "", "",
                       may_skip).lower()  # fmt: skip
        if not answer or answer in _YES:
            return
        if answer in _NO:
            _beside("Nothing sounds. Enter when it is ready; leave keeps everything.", "yellow")
        else:
            _beside(f"'{answer}' is no yes, so nothing sounds. Enter or yes goes on.", "yellow")


def _forget_what_was_typed() -> None:
    """An Enter of impatience during a sweep must not start the next one."""
    try:
        import termios
    except ImportError:  # Windows has none
        return
    with contextlib.suppress(termios.error, OSError, ValueError):
        termios.tcflush(sys.stdin.fileno(), termios.TCIFLUSH)


def _line(text: str, why: str, flag: str, hint: str, may_skip: bool) -> str:
    """Read a line from the terminal; explain where that is asked for.

    Raises:
        Left: At its end (Ctrl-D), or at the word.
        Skipped, WentBack: At their words.
    """
    hint = (" (or skip)" if may_skip else "") + hint
    colon = "" if text.endswith("?") and not hint else ":"
    while True:
        sys.stdout.flush()
        sys.stderr.write(harmless(f"{text}{hint}{colon} "))
        sys.stderr.flush()
        typed = sys.stdin.readline()
        if not typed:
            sys.stderr.write("\n")
            raise Left
        answer = typed.strip()
        if answer.lower() == LEAVE:
            raise Left
        if answer.lower() == BACK:
            raise WentBack
        if answer.lower() == SKIP and may_skip:
            raise Skipped
        if answer != EXPLAIN:
            return answer
        _beside(f"{why} On the command line: {flag}." if flag else why, "dim")


def _understood(question: Question, answer: str) -> str:
    if question.optional and answer.lower() in _UNKNOWN:
        return ""
    if answer.lower() == SKIP and SKIP not in question.options:
        raise UsageError("this cannot be skipped", remedy="leave stops and keeps everything.")
    if not answer:
        if question.default or question.optional:
            return question.default or ""
        raise UsageError("an answer is needed here", remedy="A question mark explains.")
    if question.options:
        found = [word for word in question.options if word.lower().startswith(answer.lower())]
        exact = [word for word in found if word.lower() == answer.lower()]
        if len(exact or found) == 1:
            return (exact or found)[0]
        raise UsageError(
            f"'{answer}' is none of them", remedy=f"One of: {', '.join(question.options)}."
        )
    if question.plain is not None:
        answer = question.plain(answer)
    if question.check is not None:
        question.check(answer)
    return answer


def _beside(text: str, style: str) -> None:
    show.note(show.indented(text.rstrip(), show.console(stderr=True).width), style)
