"""Limits of a fit and what would help, in words for the terminal and the page."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from cli.terminal.sections import Listed, Section, say
from fit.results.quantities import capitalised, shown

if TYPE_CHECKING:
    from fit.uncertainty.advice import Advice, Gain

_HEADLINES = ("Re", "fs", "Qts", "Mms", "Bl", "Vas")


def limited(advice: Sequence[Advice]) -> list[tuple[str, str]]:
    """Symbol and its causes with their shares, of the quantities that people ask for first."""
    return [
        (f"{one.parameter} {one.reach()}", one.limits)
        for one in advice
        if one.parameter in _HEADLINES and one.limits
    ]


def steps(advice: Sequence[Advice]) -> list[Section]:
    """List the steps that narrow intervals, an item each, then those that would not, each once."""
    idle = dict.fromkeys(one.useless.words for one in advice if one.useless is not None)
    worth = [
        f"{capitalised(words)}: {', '.join(found)}." for words, found in helping(advice).items()
    ]
    not_worth = [f"{capitalised(words)}: no value would be known better." for words in idle]
    named = {"What would narrow the intervals": worth, "Not worth doing": not_worth}
    return [Section(title, (Listed(items),)) for title, items in named.items() if items]


def helping(advice: Sequence[Advice]) -> dict[str, list[str]]:
    """Order steps by what they narrow, added up over quantities, each with its effects."""
    found: dict[str, list[str]] = {}
    gains: dict[str, float] = {}
    for one in advice:
        if (step := one.cheapest) is not None:
            found.setdefault(step.words, []).append(_effect(one, step))
            gains[step.words] = gains.get(step.words, 0.0) + step.gain
    return dict(sorted(found.items(), key=lambda step: -gains[step[0]]))


def tell(advice: Sequence[Advice]) -> None:
    """Say all of it on standard output."""
    causes = Listed([f"{name}: {words}" for name, words in limited(advice)])
    limits = [Section("What limits them", (causes,))] if causes.items else []
    say([*limits, *steps(advice)])


def _effect(one: Advice, gain: Gain) -> str:
    return f"{_symbol(one)} {one.reach()} becomes {one.reach(gain.standard_uncertainty)}"


def _symbol(one: Advice) -> str:
    return shown(one.parameter, one.estimate.unit).symbol
