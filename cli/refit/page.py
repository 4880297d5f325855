"""The page about an archive: what is usual, what stands apart, drifts, changed or was left out."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import date
from itertools import islice
from typing import TYPE_CHECKING, Any

from markupsafe import Markup

from cli.archive.summary import Apart, Series, Usual, collect, usual
from cli.refit import pictures as plots_refit
from cli.refit.changes import Moved, again, since_last
from cli.report.parts import Plot, drawn, render
from cli.terminal.tables import change_figures
from cli.terminal.version import program_version
from fit.results.numbers import decimals_for, number, percent, signed_percent, with_unit
from fit.results.quantities import shown

if TYPE_CHECKING:
    from cli.archive.ledger import Ledger
    from cli.refit.done import Done
    from cli.refit.plan import Archive

_PICTURES = 8  # series with pictures of their own
_ROWS = 100  # of every list; the tables beside the page have all
_FEWEST = 3  # fits from which a series has a spread
_OVER_TIME = ("fs", "Qts", "Re")


@dataclass(frozen=True)
class UsualRow:
    """One quantity of a series."""

    markup: Markup
    words: str
    n: int
    centre: str
    spread: str
    low: str
    high: str
    drift: str


@dataclass(frozen=True)
class SeriesPart:
    """One series on the page."""

    name: str
    counted: str
    rows: tuple[UsualRow, ...]
    distribution: Plot | None
    drift: Plot | None


@dataclass(frozen=True)
class ApartRow:
    """One fit that stands apart."""

    name: str
    markup: Markup
    value: str
    centre: str
    away: str
    times: str


@dataclass(frozen=True)
class MovedRow:
    """One state that is not what it was."""

    unit: str
    label: str
    said: tuple[tuple[Markup, str], ...]
    news: str
    why: str


@dataclass(frozen=True)
class Listed:
    """Rows of which only the first are shown, and how many there are."""

    rows: tuple[Any, ...]
    more: int


@dataclass(frozen=True)
class RefitPage:
    """Everything that the template shows."""

    title: str
    subtitle: str
    lead: str
    apart: Listed
    series: tuple[SeriesPart, ...]
    few: Listed
    again: Listed
    again_words: str
    since: Listed
    since_words: str
    left_out: Listed
    files: tuple[tuple[str, str], ...]
    version: str
    made_on: str
    units: tuple[str, ...] = ()


Rows = Callable[[], Iterable[dict[str, Any]]]


def page(archive: Archive, ledger: Ledger, rows: Rows, done: Done) -> str:
    """The page as HTML text.

    Args:
        archive: What was fitted.
        ledger: The fits.
        rows: What tables need of every state.
        done: What the refit ended with.
    """
    return render("refit.html.j2", content(archive, ledger, rows, done))


def content(archive: Archive, ledger: Ledger, rows: Rows, done: Done) -> RefitPage:
    """What the page says and shows; arguments as for `page`."""
    series = collect(rows())
    large = [one for one in series if len(one.names) >= _FEWEST]
    known = [(one, usual(one)) for one in large]
    apart = [a for _, found in known for u in found for a in u.apart]
    apart.sort(key=lambda a: -abs(a.times_limit))
    repeated, again_rows = _moved(again(archive, ledger))
    changed, since_rows = _moved(since_last(archive, ledger))
    return RefitPage(
        title=f"{archive.root.name or 'archive'}: fitted again",
        subtitle=f"{_counted(len({s.unit for s in archive.states}), 'unit')}, "
        f"{_counted(sum(len(s.sources) for s in archive.states), 'take')} and tables, "
        f"{date.today().isoformat()}",
        lead=_lead(done, series, apart),
        apart=_listed(_apart_row(a) for a in apart),
        series=tuple(
            _series_part(one, found, k, pictures=k < _PICTURES)
            for k, (one, found) in enumerate(known[:_ROWS])
        ),
        few=_listed(row for one in series if len(one.names) < _FEWEST for row in _single(one)),
        again=again_rows,
        again_words=_again_words(repeated, again_rows),
        since=since_rows,
        since_words=_since_words(ledger, changed, since_rows),
        left_out=_listed(done.left_out),
        files=tuple((name.replace("_", " "), path.name) for name, path in done.files.items()),
        version=program_version(),
        made_on=date.today().isoformat(),
    )


def _listed(rows: Iterable[Any]) -> Listed:
    iterator = iter(rows)
    return Listed(tuple(islice(iterator, _ROWS)), sum(1 for _ in iterator))


def _counted(count: int, noun: str) -> str:
    return f"{count} {noun}" if count == 1 else f"{count} {noun}s"


def _lead(done: Done, series: Sequence[Series], apart: Sequence[Apart]) -> str:
    pieces = [done.sentence()]
    names = {a.name for a in apart}
    if names:
        some = ", ".join(sorted(names)[:5]) + (" …" if len(names) > 5 else "")
        verb = "stands" if len(names) == 1 else "stand"
        pieces.append(f"{some} {verb} apart from the rest of the series.")
    elif any(len(one.names) >= _FEWEST for one in series):
        pieces.append("No unit stands apart from its series.")
    return " ".join(pieces)


def _shown(symbol: str, unit: str, value: float, spread: float) -> str:
    how = shown(symbol, unit)
    value /= how.scale
    return with_unit(number(value, decimals_for(abs(value) * spread, value)), how.unit)


def _series_part(one: Series, found: list[Usual], index: int, *, pictures: bool) -> SeriesPart:
    units, fits = len(one.units), len(one.names)
    counted = _counted(fits, "fit") + (f" of {_counted(units, 'unit')}" if units < fits else "")
    over_time = [u for u in found if u.symbol in _OVER_TIME and u.drift is not None]
    return SeriesPart(
        one.name,
        counted,
        tuple(_usual_row(one, u) for u in found),
        _distribution_plot(one, found, index) if pictures else None,
        _drift_plot(one, over_time, index) if pictures and over_time else None,
    )


def _distribution_plot(one: Series, found: list[Usual], index: int) -> Plot:
    name = f"spread{index}"
    symbols = ", ".join(shown(u.symbol, u.unit).symbol for u in found)
    apart = " Diamonds stand apart." if any(u.apart for u in found) else ""
    return drawn(
        plots_refit.distribution_figure(one, found),
        name,
        f"How {symbols} are distributed in this series",
        f"Every fit of the series; dashed: the robust mean.{apart}",
    )


def _drift_plot(one: Series, found: list[Usual], index: int) -> Plot:
    name = f"drift{index}"
    symbols = ", ".join(shown(u.symbol, u.unit).symbol for u in found)
    return drawn(
        plots_refit.drift_figure(one, found),
        name,
        f"{symbols} over the time of measurement",
        "Over the time of the first take. A dashed line is a drift that chance brings in less than "
        "one of a hundred; where there are many fits: median and the middle 80 %.",
    )


def _usual_row(series: Series, u: Usual) -> UsualRow:
    how = shown(u.symbol, u.unit)
    width = u.spread or 0.005
    return UsualRow(
        Markup(how.markup),  # ours, from a fixed table
        how.words,
        u.n,
        _shown(u.symbol, u.unit, u.centre, width),
        "" if u.spread is None else percent(u.spread),
        _shown(u.symbol, u.unit, u.low, width),
        _shown(u.symbol, u.unit, u.high, width),
        _drift_words(series, u),
    )


def _drift_words(series: Series, u: Usual) -> str:
    if u.drift is None:
        return ""
    if not u.drift.significant:
        return "none told"
    values, _, seconds = series.column(u.symbol)
    times = seconds[(values == values) & (seconds == seconds)] / 86400.0
    span = float(times.max() - times.min())
    low, high = (signed_percent(end * span) for end in (u.drift.low, u.drift.high))
    over = f"{span:.0f} days" if span >= 2 else f"{24 * span:.1f} h"
    return f"{signed_percent(u.drift.middle * span)} over {over} ({low} … {high})"


def _apart_row(a: Apart) -> ApartRow:
    how = shown(a.symbol, a.unit)
    return ApartRow(
        a.name,
        Markup(how.markup),
        _shown(a.symbol, a.unit, a.value, 0.005),
        _shown(a.symbol, a.unit, a.centre, 0.005),
        signed_percent(a.value / a.centre - 1),
        f"{abs(a.times_limit):.1f}",
    )


def _single(series: Series) -> Iterator[tuple[str, tuple[tuple[Markup, str], ...]]]:
    """Fits of a series too small for statistics, each in a line."""
    for k, name in enumerate(series.names):
        told = []
        for symbol in ("fs", "Qts", "Re", "Vas"):
            if symbol in series.values and (value := series.values[symbol][k]) == value:
                unit = series.unit_of[symbol]
                text = _shown(symbol, unit, value, max(series.own[symbol][k] / value, 0.001))
                told.append((Markup(shown(symbol, unit).markup), text))
        yield name, tuple(told)


def _moved(found: Iterable[Moved]) -> tuple[int, Listed]:
    """How many there are, and those that have something to say."""
    count = 0
    kept: list[Moved] = []
    more = 0
    for one in found:
        count += 1
        if not (one.changes or one.news):
            continue
        kept.append(one)
        if len(kept) > 2 * _ROWS:  # never all of ten thousand at once
            kept.sort(key=_weight)
            more += len(kept) - _ROWS
            del kept[_ROWS:]
    kept.sort(key=_weight)
    rows = tuple(_moved_row(one) for one in kept[:_ROWS])
    return count, Listed(rows, more + len(kept) - len(rows))


def _weight(one: Moved) -> float:
    return -abs(one.changes[0].significance) if one.changes else -1e9 * (one.news != "new")


def _moved_row(one: Moved) -> MovedRow:
    said = []
    for change in one.changes[:4]:
        written = change_figures(change)
        how = shown(change.parameter, change.unit)
        text = f"{written.before} → {with_unit(written.after, written.unit)} ({written.change})"
        said.append((Markup(how.markup), text))
    return MovedRow(one.unit, one.label, tuple(said), one.news, one.why)


def _again_words(count: int, rows: Listed) -> str:
    if not count:
        return ""
    moved = len(rows.rows) + rows.more
    return (
        f"{_counted(count, 'unit')} in more than one state, the first against the last: {moved} "
        "changed beyond uncertainty. What both fits share (resistor, masses, ruler) cancels; how "
        "well a driver repeats itself does not."
    )


def _since_words(ledger: Ledger, count: int, rows: Listed) -> str:
    if not ledger.last_completed:
        return "This is the first refit of this archive."
    when = ledger.last_completed[:16].replace("T", " ")
    if not count:
        return f"Nothing has changed since the refit of {when} UTC."
    told = len(rows.rows) + rows.more
    return (
        f"Since the refit of {when} UTC {_counted(count, 'fit')} were made anew or gone; of these "
        f"{told} moved beyond uncertainty, are new, or are gone."
    )
