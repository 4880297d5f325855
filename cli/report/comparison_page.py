"""The page about a change: what moved between states of a driver, or between drivers."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from markupsafe import Markup

from cli.pictures import plots_compare
from cli.report.exploring import exploring, short
from cli.report.page import Answer, Block, ChangeRow, Changes, Explored, Page, part, today
from cli.report.parts import FindingLine, Plot, change_span, change_strip, drawn
from cli.terminal.tables import change_figures, unchanged
from fit.results.numbers import with_unit
from fit.results.quantities import shown

if TYPE_CHECKING:
    from cli.sources.states import DriverState
    from fit.compare.changes import Change, Comparison
    from fit.compare.curves import CurveDifference
    from fit.compare.pair import Pair
    from fit.compare.trend import Trend


@dataclass(frozen=True)
class Compared:
    """Comparison of states or drivers: all that was found out.

    Attributes:
        states: In order; the first is what the others are compared with.
        steps: The first against each later one.
        same_unit: One driver at several times, in contrast to several drivers.
        settled: Whether a series has come to rest, word and sentence; empty for two states.
        run: Trend of the resonance over a series; None for two states or several drivers.
        pairs: How the drivers match; empty for one driver.
        against_plan: How the last state stands to the targets; empty without any.
    """

    title: str
    states: tuple[DriverState, ...]
    steps: tuple[Comparison, ...]
    same_unit: bool
    settled: tuple[str, str] = ("", "")
    run: Trend | None = None
    pairs: tuple[Pair, ...] = ()
    against_plan: str = ""


def content(compared: Compared) -> Page:
    """Collect what the page says and shows."""
    from fit.compare.curves import difference
    from fit.compare.words import assumptions, in_words, known_and_unsure

    names = [state.name for state in compared.states]
    differences = [difference(compared.states[0].fit, state.fit) for state in compared.states[1:]]
    same_unit = compared.same_unit
    words = [in_words(step, same_unit=same_unit) for step in compared.steps]
    # The list of what is too uncertain stands apart: it would drown what is known.
    lead, unsure = (
        known_and_unsure(compared.steps[-1]) if same_unit else (_first(compared, words), "")
    )
    steps = sorted(
        zip(compared.steps, words, strict=True),
        key=lambda pair: same_unit and pair[0] is not compared.steps[-1],
    )
    notes = assumptions(compared.steps)
    parts = (
        part("Has it settled?", *_settled(compared)),
        part("Do they match?", *(
            Answer(_TONES.get(one.verdict, "undecided"),
                   f"{one.first} and {one.second}: {one.verdict}.", one.text)
            for one in compared.pairs
        )),
        *(part(f"{step.before} → {step.after}" if same_unit
               else f"{step.after} against {step.before}", *_step(compared, step, text))
          for step, text in steps),
        part("Too uncertain to tell", unsure),
        part("The curves", " ".join(_curve_words(names, differences)),
              _curves(compared, names, differences)),
        part("What was assumed", tuple(FindingLine(note, "") for note in notes)),
    )  # fmt: skip
    return Page(
        title=f"{compared.title}: {'what changed' if same_unit else 'how they differ'}",
        subtitle=f"{' → '.join(names) if same_unit else ' against '.join(names)}, {today()}",
        lead=" ".join(filter(None, (lead, compared.against_plan))),
        parts=tuple(one for one in parts if one.blocks),
        units=tuple(dict.fromkeys(state.unit or state.name for state in compared.states)),
    )


_TONES = {"yes": "inside", "no": "outside", "matched": "inside", "apart": "outside"}


def _settled(compared: Compared) -> tuple[Block | None, ...]:
    word, text = compared.settled
    if not text:
        return ()
    said = {"yes": "Yes.", "no": "No."}.get(word, "Undecided.")
    return Answer(_TONES.get(word, "undecided"), said, text), _trend_plot(compared.run)


def _step(compared: Compared, step: Comparison, words: str) -> tuple[Block | None, ...]:
    """Show one comparison; of a series only the whole way from first to last has its table."""
    same_unit = compared.same_unit
    if same_unit and step is not compared.steps[-1]:
        return (words,)
    moved = [change for change in step.changes if change.verdict != "unchanged"]
    span = change_span(moved, step.margin)
    table = Changes(
        "before" if same_unit else step.before,
        "after" if same_unit else step.after,
        f"{100 * step.margin:g} %",
        tuple(_row(change, step.margin, span) for change in moved),
    )
    return "" if same_unit else words, table if moved else None, unchanged(step)


def _curves(
    compared: Compared, names: Sequence[str], differences: Sequence[CurveDifference]
) -> Explored:
    fits = [state.fit for state in compared.states]
    return Explored(
        exploring(
            [fit.free_air[0] for fit in fits],
            names,
            what="state" if compared.same_unit else "unit",
            third=_differences(names, differences),
            models=False,
            marked={k: plots_compare.resonance(fits[k]) for k in (0, len(fits) - 1)},
        ),
        drawn(
            plots_compare.overlay_figure(fits, names, differences),
            "overlay",
            f"Impedance over frequency: {', '.join(names)}, and the differences",
            f"Above: impedance as measured. Below: difference from {names[0]}; what lies within "
            "the shaded band is no change: noise, errors not shared and clamping anew explain it.",
        ),
    )


def _first(compared: Compared, words: Sequence[str]) -> str:
    """Say in a sentence how several drivers go together."""
    if len(compared.pairs) == 1:
        (only,) = compared.pairs
        return f"{only.first} and {only.second}: {only.verdict}."
    if compared.pairs:
        best = compared.pairs[0]
        return f"Closest together: {best.first} and {best.second} ({best.verdict})."
    return " ".join(words)


def _trend_plot(run: Trend | None) -> Plot | None:
    if run is None:
        return None
    beside = "" if any(p.hours is None for p in run.points) else " over hours of use"
    return drawn(
        plots_compare.trend_figure(run),
        "trend",
        f"Resonance of every state{beside}",
        "Bars: how far another take of the same state may differ (95 %); what all states share is "
        "left out.",
    )


def _differences(names: Sequence[str], found: Sequence[CurveDifference]) -> Mapping[str, Any]:
    rows = [
        {
            "curve": index,
            "f": short(one.frequency_hz, 6),
            "value": short(one.difference_ohm, 4),
            "reach": short(one.reach_95_ohm, 3) if _known(one) else None,
        }
        for index, one in enumerate(found, start=1)
    ]
    label = "difference, Ω"
    return {"label": label, "name": f"difference from {names[0]}", "least": 0.1, "rows": rows}


def _curve_words(names: Sequence[str], found: Sequence[CurveDifference]) -> list[str]:
    """Say where the curves stand apart most clearly."""
    from fit.compare.curves import largest

    said = []
    for name, one in zip(names[1:], found, strict=True):
        top = largest(one)
        if not _known(one):
            said.append(
                f"How far {name} may differ by chance is not known: its fit lacks Re or a Q."
            )
            continue
        if top is None:
            said.append(
                f"The curve of {name} stands nowhere clearly out of what measuring again brings."
            )
            continue
        frequency, ohm, reach = top
        side = "above" if ohm > 0 else "below"
        said.append(
            f"The curve of {name} departs most clearly at {frequency:.3g} Hz: {abs(ohm):.2g} Ω "
            f"{side} {names[0]}, where measuring again would bring ± {reach:.1g} Ω."
        )
    return said


def _known(one: CurveDifference) -> bool:
    """Tell whether the difference has a band."""
    return bool(math.isfinite(one.reach_95_ohm[0]))


def _row(change: Change, margin: float, span: tuple[float, float]) -> ChangeRow:
    how = shown(change.parameter, change.unit)
    written = change_figures(change)
    spoken = f"{how.words} {written.change}, 95 % between {written.interval}: {change.verdict}"
    return ChangeRow(
        Markup(how.markup),
        how.symbol,
        how.words,
        written.before,
        with_unit(written.after, written.unit),
        written.change,
        written.interval,
        change_strip(change, margin, span, spoken),
        change.verdict,
    )
