"""``freeair compare``: what changed beyond uncertainty."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import replace
from typing import TYPE_CHECKING, Annotated

import typer

from cli import show
from cli.options import AsJson, Report
from meas.errors import UsageError

if TYPE_CHECKING:
    from cli.states import State


def compare(
    before: Annotated[
        str, typer.Argument(metavar="BEFORE", help="A saved fit, a take or an impedance table.")
    ],
    after: Annotated[
        list[str], typer.Argument(metavar="AFTER", help="One later state, or several in order.")
    ],
    margin: Annotated[
        str | None,
        typer.Option(
            metavar="PCT", help="A change that does not matter, such as 5%; decides 'unchanged'."
        ),
    ] = None,
    report: Report = None,
    as_json: AsJson = False,
) -> None:
    """Say what changed, or how two drivers differ.

    Errors that both share (same resistor, same ruler) cancel; repeatability does not.

    \b
    freeair compare lantern-new.json lantern-12h.json
    freeair compare left.json right.json --margin 5% --report pair.html
    """
    from cli import states
    from fit import compare as comparing
    from fit import compare_words
    from meas.whole_file import refuse_existing, write_text

    fraction = _margin(margin, comparing.MARGIN)
    if report is not None:
        refuse_existing(report)
    found = _told_apart([states.read(text) for text in (before, *after)])
    units = {state.unit for state in found if state.unit is not None}
    same_unit = len(units) < 2
    named = [(state.name, state.fit) for state in found]
    document = compare_words.to_json(named, margin=fraction, same_unit=same_unit)
    if as_json:
        show.line(json.dumps(document, ensure_ascii=False, allow_nan=False))
    steps = [
        comparing.compare(found[0].fit, state.fit, names=(found[0].name, state.name),
                          margin=fraction)
        for state in found[1:]
    ]  # fmt: skip
    settled = document.get("settled", {}).get("text", "")
    if not as_json:
        from cli import tables

        for step in steps:
            show.heading(f"{step.before} → {step.after}")
            show.say(compare_words.in_words(step, same_unit=same_unit), "", tables.changes(step))
        if settled:
            show.say("", settled)
        for note in dict.fromkeys(note for step in steps for note in step.notes):
            show.note(f"note: {note}", "dim")
    if report is not None:
        from cli.report.comparison_page import comparison_page

        title = " and ".join(sorted(units)) if units else " and ".join(s.name for s in found)
        write_text(report, comparison_page(title, found, steps, same_unit, settled))
        (show.note if as_json else show.line)(f"Report: {report}")


def _margin(text: str | None, default: float) -> float:
    if text is None:
        show.default_taken(f"margin {100 * default:g} %: changes surely smaller count as none")
        return default
    from cli import values

    value = values.percent(text, "--margin").value / 100
    if not 0 < value < 1:
        raise UsageError(
            f"'{text}' is no margin",
            where="--margin",
            remedy="Write a percentage above 0 and below 100, such as 5%.",
        )
    return value


def _told_apart(found: Sequence[State]) -> list[State]:
    names = [state.name for state in found]
    return [
        replace(state, name=f"{state.name} ({index})") if names.count(state.name) > 1 else state
        for index, state in enumerate(found, start=1)
    ]
