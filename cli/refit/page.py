"""The page about an archive: what is usual, what stands apart, drifts, changed or was left out."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from itertools import islice
from typing import TYPE_CHECKING, Any

from markupsafe import Markup

from cli.archive.summary import Apart, Series, Usual, collect, usual
from cli.refit import pictures as plots_refit
from cli.refit.changes import Moved, again, since_last
from cli.report.page import Block, Lines, Page, Part, today
from cli.report.parts import Plot, drawn, render
from cli.terminal.show import counted
from cli.terminal.tables import change_figures
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
_DIGITS = 0.005  # relative, where no spread tells how many digits mean something
_APART = (
    "Farther from the robust mean of its series than the farthest of so many would be by chance in "
    "one of a hundred series. Look at the take first, then at the unit."
)
_APART_COLUMNS = ("Unit", "Quantity", "=Value", "=Usual", "=Away", "=Times the limit")
_USUAL_COLUMNS = (
    "Quantity", "=Fits", "=Robust mean", "=Spread", "=Least", "=Greatest", "Drift (95 %)",
)  # fmt: skip


Rows = Callable[[], Iterable[dict[str, Any]]]


def page(archive: Archive, ledger: Ledger, rows: Rows, done: Done) -> str:
    """The page as HTML text.

    Args:
        rows: What tables need of every state.
    """
    series = collect(rows())
    known = [(one, usual(one)) for one in series if len(one.names) >= _FEWEST]
    apart = [a for _, found in known for u in found for a in u.apart]
    apart.sort(key=lambda a: -abs(a.times_limit))
    takes = sum(len(s.sources) for s in archive.states)
    few = (row for one in series if len(one.names) < _FEWEST for row in _single(one))
    parts = (
        _part("What stands apart", _APART, _listed(_APART_COLUMNS, map(_apart_row, apart))),
        _since(ledger, *_moved(since_last(archive, ledger), why=True)),
        _part("Not fitted, or left out", "", _listed(
            ("Take, table or unit", "Why", "What to do"),
            ((one.source, one.text, one.remedy) for one in done.left_out),
        )),
        *(_series_part(one, found, k, pictures=k < _PICTURES)
          for k, (one, found) in enumerate(known[:_ROWS])),
        _part("Too few for a series", "", _listed(("Unit", "Values"), few)),
        _again(*_moved(again(archive, ledger), why=False)),
        Part("Beside this page", (Lines((), (False, False), tuple(
            (name.replace("_", " "), path.name) for name, path in done.files.items()
        )),)),
    )  # fmt: skip
    return render(
        "page.html.j2",
        Page(
            title=f"{archive.root.name or 'archive'}: fitted again",
            subtitle=f"{counted(len({s.unit for s in archive.states}), 'unit')}, "
            f"{counted(takes, 'take')} and tables, {today()}",
            lead=_lead(done, series, apart),
            parts=tuple(filter(None, parts)),
            units=(),
        ),
    )


def _part(title: str, words: str, blocks: Sequence[Block]) -> Part | None:
    """A section; None where there is nothing to list."""
    return Part(title, tuple(filter(None, (words, *blocks)))) if blocks else None


def _listed(titles: Sequence[str], rows: Iterable[Sequence[str]], more: int = 0) -> list[Block]:
    """A table of the first rows, and how many more there are; nothing without any.

    Titles of numbers begin with an equals sign.
    """
    iterator = iter(rows)
    shown_rows = tuple(tuple(row) for row in islice(iterator, _ROWS))
    more += sum(1 for _ in iterator)
    if not shown_rows:
        return []
    right = tuple(title.startswith("=") for title in titles)
    found: list[Block] = [Lines(tuple(t.removeprefix("=") for t in titles), right, shown_rows)]
    return [*found, f"… and {more} more; the tables beside this page have all."] if more else found


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


def _series_part(one: Series, found: list[Usual], index: int, *, pictures: bool) -> Part:
    units, fits = len(one.units), len(one.names)
    of = counted(fits, "fit") + (f" of {counted(units, 'unit')}" if units < fits else "")
    over_time = [u for u in found if u.symbol in _OVER_TIME and u.drift is not None]
    blocks = (
        _distribution_plot(one, found, index) if pictures else None,
        *_listed(_USUAL_COLUMNS, (_usual_row(one, u) for u in found)),
        _drift_plot(one, over_time, index) if pictures and over_time else None,
    )
    return Part(f"{one.name}: {of}", tuple(filter(None, blocks)))


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


def _named(symbol: str, unit: str, words: str = "") -> Markup:
    """A symbol with its index, and its words where there is room; markup from a fixed table."""
    named = Markup(shown(symbol, unit).markup)
    return Markup('{} <small class="wide">{}</small>').format(named, words) if words else named


def _usual_row(series: Series, u: Usual) -> tuple[str, ...]:
    width = u.spread or _DIGITS
    return (
        _named(u.symbol, u.unit, shown(u.symbol, u.unit).words),
        f"{u.n}",
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


def _apart_row(a: Apart) -> tuple[str, ...]:
    return (
        a.name,
        _named(a.symbol, a.unit),
        _shown(a.symbol, a.unit, a.value, _DIGITS),
        _shown(a.symbol, a.unit, a.centre, _DIGITS),
        signed_percent(a.value / a.centre - 1),
        f"{abs(a.times_limit):.1f}",
    )


def _single(series: Series) -> Iterator[tuple[str, str]]:
    """Fits of a series too small for statistics, each in a line."""
    for k, name in enumerate(series.names):
        told = []
        for symbol in ("fs", "Qts", "Re", "Vas"):
            if symbol in series.values and (value := series.values[symbol][k]) == value:
                unit = series.unit_of[symbol]
                text = _shown(symbol, unit, value, max(series.own[symbol][k] / value, _DIGITS))
                told.append(Markup("{} {}").format(_named(symbol, unit), text))
        yield name, Markup(", ").join(told)


def _moved(found: Iterable[Moved], *, why: bool) -> tuple[int, int, list[Block]]:
    """Count states and those with something to say, and list the first of these in a table."""
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
    titles = ("Unit", "State", "What moved", *(["Why it may have"] if why else []))
    rows = ((*_moved_row(one), *([one.why] if why else [])) for one in kept)
    return count, len(kept) + more, _listed(titles, rows, more)


def _weight(one: Moved) -> float:
    return -abs(one.changes[0].significance) if one.changes else -1e9 * (one.news != "new")


def _moved_row(one: Moved) -> tuple[str, str, str]:
    said = [Markup.escape(one.news)] if one.news else []
    for change in one.changes[:4]:
        written = change_figures(change)
        text = f"{written.before} → {with_unit(written.after, written.unit)} ({written.change})"
        named = _named(change.parameter, change.unit)
        said.append(Markup('<span class="value">{} {}</span>').format(named, text))
    return one.unit, one.label, Markup("<br>").join(said)


def _again(count: int, moved: int, blocks: list[Block]) -> Part | None:
    if not count:
        return None
    words = (
        f"{counted(count, 'unit')} in more than one state, the first against the last: {moved} "
        "changed beyond uncertainty. What both fits share (resistor, masses, ruler) cancels; how "
        "well a driver repeats itself does not."
    )
    return Part("Measured again", (words, *blocks))


def _since(ledger: Ledger, count: int, moved: int, blocks: list[Block]) -> Part:
    if not ledger.last_completed:
        words = "This is the first refit of this archive."
    else:
        when = ledger.last_completed[:16].replace("T", " ")
        words = (
            f"Since the refit of {when} UTC {counted(count, 'fit')} were made anew or gone; of "
            f"these {moved} moved beyond uncertainty, are new, or are gone."
            if count
            else f"Nothing has changed since the refit of {when} UTC."
        )
    return Part("Since the last refit", (words, *blocks))
