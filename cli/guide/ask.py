"""Questions at a terminal: one line each, checked at once, with a way out of every one."""

from __future__ import annotations

import contextlib
import sys
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field

from cli.terminal import show
from meas.errors import UsageError

LEAVE, SKIP, EXPLAIN = "leave", "skip", "?"
READY = "ready"
"""What Enter means where only a nod is asked for."""


class Left(Exception):
    """The person at the terminal wants to stop here."""


class Skipped(Exception):
    """The person at the terminal does not want this step."""


@dataclass(frozen=True)
class Question:
    """One thing to be known.

    Attributes:
        text: Without the question mark's neighbours: default and options are added.
        flag: The option that says the same on the command line; empty where there is none.
        default: What Enter means; None where an answer is needed, empty for "I do not know".
        options: Permitted words and what they mean; empty: anything that ``check`` lets pass.
        check: Raises `UsageError` for an answer that cannot be read.
        why: Shown on request: what it is for.
        may_skip: Whether the whole step may be skipped here.
    """

    text: str
    flag: str = ""
    default: str | None = None
    options: Mapping[str, str] = field(default_factory=dict)
    check: Callable[[str], object] | None = None
    why: str = ""
    may_skip: bool = False


def ask(question: Question) -> str:
    """Ask until the answer means something.

    Returns:
        The answer as written, or the option chosen.

    Raises:
        Left: At the word ``leave`` or the end of input.
        Skipped: At the word ``skip``, where the question allows it.
    """
    widest = max(map(len, question.options), default=0)
    for word, meaning in question.options.items():
        show.note(f"  {word:<{widest}}  {meaning}")
    while True:
        answer = _line(question)
        if answer == EXPLAIN:
            _explain(question)
        elif answer == LEAVE:
            raise Left
        elif answer == SKIP and question.may_skip:
            raise Skipped
        else:
            try:
                return _understood(question, answer)
            except UsageError as error:
                _beside(f"{error.what}. {error.remedy}", "yellow")


def confirmed(text: str, *, default: bool = True, why: str = "", may_skip: bool = False) -> bool:
    """A question that yes or no answers."""
    known = {"yes": True, "no": False}

    def check(answer: str) -> None:
        if not [word for word in known if word.startswith(answer.lower())]:
            raise UsageError(f"'{answer}' is neither", remedy="Write yes or no.")

    question = Question(
        text, default="yes" if default else "no", check=check, why=why, may_skip=may_skip
    )
    return "yes".startswith(ask(question).lower())


def _line(question: Question) -> str:
    """One line from the terminal.

    Raises:
        Left: At its end (Ctrl-D).
    """
    default = f" [{question.default or 'Enter: unknown'}]"
    if question.default in (None, READY):
        default = ""
    skip = " (or skip)" if question.may_skip else ""
    sys.stdout.flush()
    colon = "" if question.text.endswith("?") and not skip + default else ":"
    sys.stderr.write(show.harmless(f"{question.text}{skip}{default}{colon} "))
    sys.stderr.flush()
    text = sys.stdin.readline()
    if not text:
        sys.stderr.write("\n")
        raise Left
    return text.strip()


def _forget_what_was_typed() -> None:
    """An Enter of impatience during a sweep must not start the next one."""
    try:
        import termios
    except ImportError:  # Windows has none
        return
    with contextlib.suppress(termios.error, OSError):
        termios.tcflush(sys.stdin.fileno(), termios.TCIFLUSH)


def _understood(question: Question, answer: str) -> str:
    if not answer:
        if question.default is None:
            raise UsageError("an answer is needed here", remedy="A question mark explains.")
        return question.default
    if question.options:
        found = [word for word in question.options if word.lower().startswith(answer.lower())]
        exact = [word for word in found if word.lower() == answer.lower()]
        if len(exact or found) == 1:
            return (exact or found)[0]
        raise UsageError(
            f"'{answer}' is none of them", remedy=f"One of: {', '.join(question.options)}."
        )
    if question.check is not None:
        question.check(answer)
    return answer


def _explain(question: Question) -> None:
    text = question.why or "Nothing more to say about this one."
    if question.flag:
        text += f" On the command line: {question.flag}."
    _beside(text, "dim")


def _beside(text: str, style: str) -> None:
    show.note(show.indented(text.rstrip(), show.console(stderr=True).width), style)
