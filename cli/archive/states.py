"""Takes that belong together: one driver in one state is one fit.

Takes of one unit belong together. Labels tell states apart (before and after a break-in, say)
where every label has a take in free air of its own; else they only name takes. Within that, a
pause of more than six hours begins another state, if what follows has a free-air take of its own.
Tables without a time belong to the first.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime

from cli.archive.files import LeftOut, Measured

PAUSE_HOURS = 6.0
"""Longer than an evening at the bench, shorter than a night (common practice, no source)."""

Identity = tuple[str, str, str]
"""Unit, label, and when its first take was made: the same state in every refit."""


@dataclass(frozen=True, slots=True)
class State:
    """Takes of one driver in one state, for one fit.

    Attributes:
        label: What its takes say about the state; empty where they say nothing in common.
        sources: Free air first, then by time.
    """

    unit: str
    label: str
    sources: tuple[Measured, ...]

    @property
    def times(self) -> tuple[str, str]:
        """Times of its first and its last take; empty where not known."""
        known = sorted((s.taken_at for s in self.sources if s.taken_at), key=seconds)
        return (known[0], known[-1]) if known else ("", "")

    @property
    def identity(self) -> Identity:
        """Name that stays the same when takes are added or measured again."""
        return self.unit, self.label, self.times[0]

    @property
    def hours(self) -> float:
        """Hours between its first and its last take."""
        first, last = self.times
        return (seconds(last) - seconds(first)) / 3600 if first else 0.0


def states(measured: Iterable[Measured]) -> tuple[list[State], list[LeftOut]]:
    """Takes and tables as states, in the order of their units' names.

    Returns:
        The states, and what is left out because it is a copy: one measurement counts once, be it
        in a backup or exported as a table.
    """
    units: dict[str, list[Measured]] = {}
    seen: dict[tuple[str, str], str] = {}
    copies = []
    for one in sorted(measured, key=lambda one: not one.take):  # of two the take is kept
        first = seen.setdefault((one.unit, one.rows), one.path)
        if first == one.path:
            units.setdefault(one.unit, []).append(one)
        else:
            copies.append(copy(one.path, one.unit, first))
    return [
        state for unit in sorted(units, key=natural) for state in _of_unit(unit, units[unit])
    ], copies


def copy(source: str, unit: str, of: str) -> LeftOut:
    """Leave out a second copy of one measurement."""
    text = f"holds the same curve as {of}: one measurement counts once"
    return LeftOut(source, unit, "copy", text, "", fault=False)


def natural(name: str) -> list[tuple[int, int, str]]:
    """A key that sorts unit 2 before unit 10."""
    return [
        (0, int(piece), piece) if piece.isascii() and piece.isdigit() else (1, 0, piece)
        for piece in re.split(r"([0-9]{1,18})", name)
        if piece
    ]


def _of_unit(unit: str, measured: Sequence[Measured]) -> list[State]:
    labels: dict[str, list[Measured]] = {}
    for one in measured:
        labels.setdefault(one.label, []).append(one)
    free = [label for label, takes in labels.items() if _has_free(takes)]
    if len(free) < len(labels):  # labels name takes, not states
        labels = {free[0] if len(free) == 1 else "": list(measured)}
    return [
        State(unit, label, tuple(sorted(sitting, key=_place)))
        for label in sorted(labels, key=natural)
        for sitting in _sittings(sorted(labels[label], key=_when))
    ]


def _sittings(takes: Sequence[Measured]) -> list[list[Measured]]:
    """Cut at long pauses, but never so that a piece has no take in free air."""
    pieces: list[list[Measured]] = [[takes[0]]]
    for one in takes[1:]:
        before = pieces[-1][-1].taken_at
        if before and seconds(one.taken_at) - seconds(before) > 3600 * PAUSE_HOURS:
            pieces.append([])
        pieces[-1].append(one)
    kept = [pieces[0]]
    for piece in pieces[1:]:
        if _has_free(piece) and _has_free(kept[-1]):
            kept.append(piece)
        else:
            kept[-1] += piece
    return kept


def _has_free(takes: Iterable[Measured]) -> bool:
    return any(take.condition.name == "free-air" for take in takes)


def seconds(taken_at: str) -> float:
    """A time as a number; what has none comes first."""
    return datetime.fromisoformat(taken_at).timestamp() if taken_at else 0.0


def _when(one: Measured) -> tuple[float, str]:
    return seconds(one.taken_at), one.path


def _place(one: Measured) -> tuple[int, float, str]:
    order = ("free-air", "added-mass", "test-box")
    return (order.index(one.condition.name), *_when(one))
