"""What limits a fit and what would help, in words for the terminal and the page."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from cli.terminal import show
from fit.results.quantities import shown

if TYPE_CHECKING:
    from fit.uncertainty.advice import Advice, Gain

_HEADLINES = ("Re", "fs", "Qts", "Mms", "Bl", "Vas")


def limited(advice: Sequence[Advice]) -> list[tuple[str, str]]:
    """Symbol and its causes with their shares, of the quantities that people ask for first."""
    return [
        (f"{one.parameter} ±{one.reach()}", one.limits)
        for one in advice
        if one.parameter in _HEADLINES and one.limits
    ]


def steps(advice: Sequence[Advice]) -> list[str]:
    """One sentence a step: what to do, and what it does to each quantity; the useless last."""
    idle: dict[str, list[str]] = {}
    for one in advice:
        if one.useless is not None:
            idle.setdefault(one.useless.words, []).append(_symbol(one))
    return [
        *(f"{_begun(words)}: {', '.join(found)}." for words, found in helping(advice).items()),
        *(
            f"{_begun(words)}, and {show.listed(found)} {'gain' if len(found) > 1 else 'gains'} "
            "nothing."
            for words, found in idle.items()
        ),
    ]


def helping(advice: Sequence[Advice]) -> dict[str, list[str]]:
    """Each step and its effects; first the one that narrows the most quantities."""
    found: dict[str, list[str]] = {}
    for one in advice:
        if one.cheapest is not None:
            found.setdefault(one.cheapest.words, []).append(_effect(one, one.cheapest))
    return dict(sorted(found.items(), key=lambda step: -len(step[1])))


def tell(advice: Sequence[Advice]) -> None:
    """Both on standard output."""
    causes, todo = limited(advice), steps(advice)
    if causes:
        show.heading("What limits them")
        for name, words in causes:
            show.say(show.hanging(f"  {name}: {words}"))
    if todo:
        show.heading("What would narrow them, and what would not")
        for sentence in todo:
            show.say(show.hanging(f"  {sentence}"))


def _effect(one: Advice, gain: Gain) -> str:
    return f"{_symbol(one)} ±{one.reach()} becomes ±{one.reach(gain.standard_uncertainty)}"


def _symbol(one: Advice) -> str:
    return shown(one.parameter, one.estimate.unit).symbol


def _begun(words: str) -> str:
    return words[:1].upper() + words[1:]
