"""Actions of a guided session, by the very commands that people could type themselves."""

from __future__ import annotations

import shlex
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

from cli.terminal import show
from cli.terminal.ask import Question, ask
from cli.terminal.boundary import command

if TYPE_CHECKING:
    from cli.guide.state import GuidedSession

TAKES = Path("takes")


class Failed(Exception):
    """A command ended with a status other than 0; it has said why."""


def run(*words: str) -> None:
    """Print a command and run it in this process.

    Raises:
        Failed: If it ended with another status than 0.
        FreeairError: What the command itself raises.
    """
    console = show.console(stderr=True)
    console.print()
    console.print(f"$ {shlex.join(('freeair', *words))}", style="bold cyan", soft_wrap=True)
    if command(words):
        raise Failed


_GIVEN: dict[str, str] = {}
"""Answers of this sitting that no finished step has taken up yet, by their question."""


def begin() -> None:
    """Forget the answers of another sitting."""
    _GIVEN.clear()


def asked(question: Question) -> str:
    """Ask; what was answered before in this sitting stands in the brackets. Raises as `ask`."""
    before = _GIVEN.get(question.text, question.default)
    answer = ask(replace(question, default=before or None))
    _GIVEN[question.text] = answer
    return answer


def rig(state: GuidedSession) -> str:
    """The session's rig file."""
    return state.files("rig")[0]


def take(state: GuidedSession, *words: str) -> list[str]:
    """Sweep the session's driver; the takes that came of it."""
    before = set(TAKES.glob("*"))
    run("take", state.answers["unit"], "--rig", rig(state), *words)
    return sorted(map(str, set(TAKES.glob("*")) - before))
