"""``freeair compare``: what changed beyond uncertainty."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from itertools import pairwise
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from cli.terminal import show
from cli.words import options
from cli.words.options import AsJson, OpenPage, Report, option
from meas.errors import UsageError

if TYPE_CHECKING:
    from cli.report.comparison_page import Compared
    from cli.sources.states import DriverState
    from fit.compare.changes import Comparison
    from fit.results.judge import Verdict


def compare(
    before: Annotated[
        str, typer.Argument(metavar="BEFORE", help="A saved fit, a take or an impedance table.")
    ],
    after: Annotated[
        list[str], typer.Argument(metavar="AFTER", help="One later state, or several in order.")
    ],
    margin: str | None = option(
        "PCT", "A change that does not matter, such as 5%; decides 'unchanged'."
    ),
    hours: str | None = option(
        "H,H,…", "Hours of use until each state, such as 0,2,8,24: tells the end."
    ),
    targets: Path | None = option("FILE", "What was meant: judge the last state, and the first."),
    report: Report = None,
    open_page: OpenPage = False,
    as_json: AsJson = False,
) -> None:
    """Say what changed, or how two drivers differ.

    Errors that both share (same resistor, same ruler) cancel; the air of each sitting and
    repeatability do not.

    \b
    freeair compare lantern-new.json lantern-12h.json
    freeair compare lantern-new.json lantern-12h.json --targets lantern.toml
    freeair compare left.json right.json --margin 5% --report pair.html
    freeair compare new.json 2h.json 8h.json 24h.json --hours 0,2,8,24
    """
    from cli.report import forms
    from cli.sources import opened, states
    from fit.compare import changes
    from fit.compare import words as compare_words

    options.check_open(open_page, report)
    fraction = _margin(margin, changes.MARGIN)
    forms.check(report)
    of_use = None if hours is None else _hours(hours, 1 + len(after))
    opened.refuse_named_twice((before, *after))
    found = _with_own_names([states.read(text) for text in (before, *after)])
    compared = _compared(found, fraction, of_use)
    verdicts: tuple[Verdict, ...] = ()
    if targets is not None:
        compared, verdicts = _judged(compared, targets)
    named = [(state.name, state.fit) for state in found]
    if as_json:
        document = compare_words.to_json(
            named, margin=fraction, same_unit=compared.same_unit, hours=of_use
        )
        if targets is not None:
            document["verdicts"] = [verdict.as_json() for verdict in verdicts]
        show.document(document)
    else:
        _print(compared, verdicts)
    if report is not None:
        from cli.report import comparison_page

        forms.write_page(report, comparison_page.content(compared))
        show.files({"Report": report}, as_json=as_json)
        if open_page:
            from cli.terminal.open_page import open_page as open_in_browser

            open_in_browser(report)


def _compared(
    found: Sequence[DriverState], margin: float, hours: Sequence[float] | None
) -> Compared:
    """Compare the states side by side in every way that they allow."""
    from cli.report.comparison_page import Compared
    from fit.compare import words as compare_words
    from fit.compare.changes import compare as compare_two
    from fit.compare.pair import pairs
    from fit.compare.trend import trend

    units = {state.unit for state in found if state.unit is not None}
    same_unit = len(units) < 2
    if hours is not None and not same_unit:
        raise UsageError(
            f"these are different units: {', '.join(sorted(units))}",
            where="--hours",
            remedy="Hours of use belong to the states of one driver; leave them out.",
        )
    named = [(state.name, state.fit) for state in found]

    def steps(pairs_of: Sequence[tuple[DriverState, DriverState]]) -> tuple[Comparison, ...]:
        return tuple(
            compare_two(one.fit, other.fit, names=(one.name, other.name), margin=margin)
            for one, other in pairs_of
        )

    settled, run = ("", ""), None
    if same_unit and (len(found) > 2 or hours is not None):
        run = trend("fs", named, hours, margin)
        settled = compare_words.settled(steps(list(pairwise(found))), run)
    return Compared(
        title=" and ".join(sorted(units)) if units else " and ".join(s.name for s in found),
        states=tuple(found),
        steps=steps([(found[0], state) for state in found[1:]]),
        same_unit=same_unit,
        settled=settled,
        run=run,
        pairs=() if same_unit else pairs(named),
    )


def _judged(compared: Compared, targets: Path) -> tuple[Compared, tuple[Verdict, ...]]:
    """The comparison with how the last state stands to what was meant, and its verdicts."""
    from cli.sources import opened
    from fit.compare import against_plan
    from fit.results.judge import judge

    meant = opened.targets(targets).targets
    first, last = (
        judge(state.fit.parameters, meant, state.fit.sources)
        for state in (compared.states[0], compared.states[-1])
    )
    return replace(compared, against_plan=against_plan.in_words(first, last)), last


def _print(compared: Compared, verdicts: Sequence[Verdict]) -> None:
    """A comparison in the terminal: words first."""
    from cli.terminal import tables
    from fit.compare import words as compare_words

    for step in compared.steps:
        show.heading(f"{step.before} → {step.after}")
        words = compare_words.in_words(step, same_unit=compared.same_unit)
        show.say(words)
        if any(change.verdict != "unchanged" for change in step.changes):
            show.say("", tables.changes(step))
        if stayed := tables.unchanged(step):
            show.say("", stayed)
    for pair in compared.pairs:
        show.say("", f"{pair.first} and {pair.second}: {pair.verdict}. {pair.text}")
    if compared.settled[1]:
        show.say("", compared.settled[1])
    if verdicts:
        show.say("", compared.against_plan, "", tables.verdicts(verdicts))
    for note in compare_words.assumptions(compared.steps):
        show.note(f"note: {note}", "dim")


def _hours(text: str, count: int) -> list[float]:
    """Hours of use, one for each state, increasing.

    Raises:
        UsageError: If they are no such numbers.
    """
    try:
        hours = [float(word.strip().removesuffix("h").strip()) for word in text.split(",")]
    except ValueError:
        hours = []
    growing = all(0 <= one < other < math.inf for one, other in pairwise(hours))
    if len(hours) != count or not growing:
        raise UsageError(
            f"'{text}' are not {count} increasing numbers of hours",
            where="--hours",
            remedy="Write one for each state in its order, such as 0,2,8,24.",
        )
    return hours


def _margin(text: str | None, default: float) -> float:
    if text is None:
        show.default_taken(f"margin {100 * default:g} %: changes surely smaller count as none")
        return default
    from cli.words import values

    value = values.percent(text, "--margin").value / 100
    if not 0 < value < 1:
        raise UsageError(
            f"'{text}' is no margin",
            where="--margin",
            remedy="Write a percentage above 0 and below 100, such as 5%.",
        )
    return value


def _with_own_names(found: Sequence[DriverState]) -> list[DriverState]:
    names = [state.name for state in found]
    return [
        replace(state, name=f"{state.name} ({index})") if names.count(state.name) > 1 else state
        for index, state in enumerate(found, start=1)
    ]
