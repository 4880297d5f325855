"""The page about a change: what moved between states of a driver, or between two drivers."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from typing import TYPE_CHECKING

from markupsafe import Markup

from cli import plots
from cli.display import shown, with_unit
from cli.report.parts import Plot, render
from cli.report.picture import inline
from cli.tables import change_figures
from cli.version import program_version

if TYPE_CHECKING:
    from cli.states import State
    from fit.compare import Change, Comparison


@dataclass(frozen=True)
class ChangeRow:
    """One line of a table of changes."""

    markup: Markup
    words: str
    before: str
    after: str
    change: str
    interval: str
    word: str


@dataclass(frozen=True)
class Step:
    """One comparison on the page."""

    title: str
    words: str
    rows: tuple[ChangeRow, ...]


@dataclass(frozen=True)
class ComparisonPage:
    """Everything that the template shows."""

    title: str
    subtitle: str
    lead: str
    steps: tuple[Step, ...]
    plot: Plot
    notes: tuple[str, ...]
    version: str
    made_on: str


def comparison_page(
    title: str,
    states: Sequence[State],
    steps: Sequence[Comparison],
    same_unit: bool,
    settled: str,
) -> str:
    """The page as HTML text.

    Args:
        title: What was compared.
        states: In order; the first is what the others are compared with.
        steps: The first against each later one.
        same_unit: One driver at several times, in contrast to several drivers.
        settled: Whether a series has come to rest, in words; may be empty.
    """
    from fit.compare_words import in_words

    names = [state.name for state in states]
    figure = plots.overlay_figure([state.fit for state in states], names)
    svg = inline(
        plots.svg_text(figure, "overlay"),
        "overlay",
        f"Impedance over frequency: {', '.join(names)}",
    )
    today = date.today().isoformat()
    alone = len(steps) == 1
    last = in_words(steps[-1], same_unit=same_unit)
    page = ComparisonPage(
        title=f"{title}: {'what changed' if same_unit else 'how they differ'}",
        subtitle=f"{' → '.join(names)}, {today}",
        lead=last if alone else settled or last.split(". ")[0].rstrip(".") + ".",
        steps=tuple(
            Step(
                f"{step.before} → {step.after}",
                "" if alone else in_words(step, same_unit=same_unit),
                tuple(_row(change) for change in step.changes),
            )
            for step in steps
        ),
        plot=Plot(svg, f"Above: impedance as measured. Below: difference from {names[0]}."),
        notes=tuple(dict.fromkeys(note for step in steps for note in step.notes)),
        version=program_version(),
        made_on=today,
    )
    return render("comparison.html.j2", page)


def _row(change: Change) -> ChangeRow:
    how = shown(change.parameter, change.unit)
    written = change_figures(change)
    return ChangeRow(
        Markup(how.markup),
        how.words,
        written.before,
        with_unit(written.after, written.unit),
        written.change,
        written.interval,
        change.verdict,
    )
