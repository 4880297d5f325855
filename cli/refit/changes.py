"""Changes beyond uncertainty between two fits that are kept, and their possible reasons."""

from __future__ import annotations

import json
import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from cli.archive.ledger import Ledger, Place, identity_of
from cli.archive.states import seconds
from meas.errors import FreeairError

if TYPE_CHECKING:
    from cli.refit.plan import Archive
    from fit.compare.changes import Change
    from fit.results.result import DriverFit


@dataclass(frozen=True)
class Moved:
    """A state whose fit is another one now.

    Attributes:
        why: What differs in what it was made from, in words.
        changes: Changes beyond uncertainty, most significant first.
        news: What happened besides: fitted for the first time, no longer, gone.
    """

    unit: str
    label: str
    why: str
    changes: tuple[Change, ...] = ()
    news: str = ""


def since_last(archive: Archive, ledger: Ledger) -> Iterator[Moved]:
    """List states whose result differs from that of the last finished refit."""
    if not ledger.before:
        return
    before: dict[tuple[str, str, str], Place] = {}
    for key in ledger.before:
        if (place := ledger.place(key)) is not None:
            before[identity_of(ledger.head(place))] = place
    for number, key in enumerate(archive.keys):
        state = archive.states[number]
        named = named_state(state.label, state.times[0])
        old, new = before.pop(state.identity, None), ledger.place(key)
        if old is None:
            yield Moved(state.unit, named, "", news="new")
        elif new is not None and new != old:
            why = _why(ledger.head(old), archive.head(number))
            yield _moved(ledger, old, new, state.unit, named, why)
    for unit, label, first in before:
        yield Moved(unit, named_state(label, first), "", news="gone")


def named_state(label: str, first: str) -> str:
    """A state in words: its label and when its first take was made."""
    return " ".join(filter(None, (label, first[:16].replace("T", " "))))


def _moved(ledger: Ledger, old: Place, new: Place, unit: str, label: str, why: str) -> Moved:
    rows = ledger.row(old), ledger.row(new)
    fitted = ["parameters" in row for row in rows]
    if not all(fitted):
        news = "fitted now" if fitted[1] else "no longer fitted" if fitted[0] else ""
        return Moved(unit, label, why, news=news)
    return Moved(unit, label, why, changed(ledger, old, new))


def _why(old: Mapping[str, Any], new: Mapping[str, Any]) -> str:
    """Differences in what two results were made from."""
    reasons = []
    was, now = old["inputs"], new["inputs"]
    for words, names in (
        ("added", [name for name in now if name not in was]),
        ("removed", [name for name in was if name not in now]),
        ("changed", [name for name in now if name in was and now[name] != was[name]]),
    ):
        if names:
            reasons.append(f"{', '.join(names)} {words}")
    if old["options"] != new["options"]:
        reasons.append("other options")
    if old["models"] != new["models"]:
        reasons.append("newer models of the program")
    return "; ".join(reasons)


def changed(ledger: Ledger, old: Place, new: Place) -> tuple[Change, ...]:
    """Changes from one fit to another beyond uncertainty; what they share cancels."""
    if not _may_have(ledger.row(old), ledger.row(new)):
        return ()
    from fit.compare.changes import compare

    try:
        compared = compare(_fit(ledger, old), _fit(ledger, new))
    except (FreeairError, ValueError, RecursionError):  # a body that was tampered with
        return ()
    return tuple(change for change in compared.changes if change.verdict == "changed")


def _may_have(old: Mapping[str, Any], new: Mapping[str, Any]) -> bool:
    """Tell whether anything moved by more than the random parts alone, which cannot cancel.

    Reading whole fits takes milliseconds, which is long where there are ten thousand.
    """
    from fit.results.result import Z95

    for symbol, (was, unit, _, _, _, spread, *_) in old["parameters"].items():
        found = new["parameters"].get(symbol)
        if found is None:
            continue
        now, own = found[0], math.hypot(spread, found[5])
        ratio = unit != "dB" and now * was > 0
        away = abs(math.log(now / was)) * min(abs(was), abs(now)) if ratio else abs(now - was)
        if away > Z95 * own * 0.99:
            return True
    return False


def _fit(ledger: Ledger, place: Place) -> DriverFit:
    from fit.results import store

    return store.from_json(json.loads(ledger.body(place)), where="ledger")


def again(archive: Archive, ledger: Ledger) -> Iterator[Moved]:
    """Units that were measured in several states: the first against the last."""
    by_unit: dict[str, list[int]] = {}
    for number, state in enumerate(archive.states):
        by_unit.setdefault(state.unit, []).append(number)
    for unit, numbers in by_unit.items():
        timed = sorted(numbers, key=lambda n: seconds(archive.states[n].times[0]))
        ends = [archive.states[n] for n in (timed[0], timed[-1])]
        places = [ledger.place(archive.keys[n]) for n in (timed[0], timed[-1])]
        if len(numbers) < 2 or places[0] is None or places[1] is None:
            continue
        if not all("parameters" in ledger.row(place) for place in places if place):
            continue
        named = " → ".join(named_state(state.label, state.times[0]) for state in ends)
        yield Moved(unit, named, "", changed(ledger, places[0], places[1]))
