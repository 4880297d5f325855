"""All errors, as one tree.

    FreeairError                 never raised itself
    ├── UsageError               exit 2: a wrong word on the command line
    │   └── UnreadableInput      exit 2: a file that cannot be read as what it should be
    └── Refused                  exit 1: the data or the bench cannot support the result
        └── BenchFailure         exit 1: the sound hardware failed; names the kept capture

Every message says what is wrong, where, and what to do about it.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import KW_ONLY, dataclass
from typing import Self

NEWEST = 1
"""Newest version of every file format."""


@dataclass(frozen=True)
class Finding:
    """One thing found out about data, with a stable machine-readable code.

    Attributes:
        code: Stable reason code such as ``clipped`` or ``no-resonance``.
        what: What was found and where, for the person at the bench.
        refuses: True when no number may be derived from the data.
        ground: Physics or measurement that it rests on; may be empty.
        next_step: What to do about it; may be empty. A sentence of its own, or, beginning with a
            small letter, what follows "Next:".
        at_seconds: Where in the recording it was found [s].
        at_hz: Where in the curve it was found [Hz].
    """

    code: str
    what: str
    refuses: bool = False
    _: KW_ONLY
    ground: str = ""
    next_step: str = ""
    at_seconds: tuple[float, ...] = ()
    at_hz: tuple[float, ...] = ()

    @property
    def statement(self) -> str:
        """The finding and the ground for it."""
        return _sentences(self.what, self.ground)

    @property
    def text(self) -> str:
        """The whole finding in one paragraph."""
        step = f"Next: {self.next_step}" if self.next_step[:1].islower() else self.next_step
        return _sentences(self.statement, step)

    @property
    def places(self) -> dict[str, tuple[float, ...]]:
        """Where it was found, as far as that is known, by the names of the fields."""
        known = {"at_seconds": self.at_seconds, "at_hz": self.at_hz}
        return {name: places for name, places in known.items() if places}

    def as_json(self) -> dict[str, str]:
        """Code and text, and the parts of the text where it has more than one."""
        parts = {"what": self.what, "ground": self.ground, "next_step": self.next_step}
        given = {name: part for name, part in parts.items() if part}
        return {"code": self.code, "text": self.text, **(given if len(given) > 1 else {})}


def refusals(findings: Iterable[Finding]) -> tuple[Finding, ...]:
    """The findings that forbid to derive a number from the data."""
    return tuple(finding for finding in findings if finding.refuses)


def refusals_first(findings: Iterable[Finding]) -> tuple[Finding, ...]:
    """Put the findings that refuse before those that only caution, else in their order."""
    return tuple(sorted(findings, key=lambda finding: not finding.refuses))


def _sentences(first: str, second: str) -> str:
    if not first or not second:
        return first or second
    return f"{first} {second}" if first[-1] in ".?!" else f"{first}. {second}"


def not_of_format(kind: str, found: object, expected: str) -> str:
    """Say that a file is no ``kind``: another file of ours, or of no format that we know."""
    own = re.fullmatch(r"freeair-([a-z-]{1,20})/\d+", found) if isinstance(found, str) else None
    if own and own[0] != expected:
        of = own[1].replace("-", " ")
        return f"is no {kind} but a {of} by its format, {found!r}, where {expected!r} should stand"
    return f"is no {kind}: its format is {repr(found)[:60]}, not {expected!r}"


class FreeairError(Exception):
    """Base of all errors that a user can cause or cure.

    Args:
        where: File, option or channel; may be empty.
        at: Line and column in the file; may be empty. As an attribute ``where`` holds both.
        remedy: What to do about it; may be empty only where ``what`` says it.
    """

    exit_status = 1

    def __init__(self, what: str, *, where: str = "", at: str = "", remedy: str = "") -> None:
        self.what = what
        self.where = ", ".join(filter(None, (where, at)))
        self.at = at
        self.remedy = remedy
        super().__init__(what)

    def __str__(self) -> str:
        """One paragraph: where, what, remedy."""
        return self.in_words()

    def in_words(self) -> str:
        """One paragraph for a person: where, what, remedy."""
        head = f"{self.where}: {self.what}" if self.where else self.what
        return f"{head}. {self.remedy}" if self.remedy else head


class UsageError(FreeairError):
    """A command, option or value that means nothing, or contradicts another."""

    exit_status = 2


class UnreadableInput(UsageError):
    """A file that cannot be read as what it should be."""


def check_version(content: object, family: str, where: str) -> None:
    """Refuse what a newer version wrote before its unknown keys look like mistakes.

    Args:
        family: Name of the format without its version, such as ``freeair-take``.

    Raises:
        UnreadableInput: If ``format`` names the family with a number above `NEWEST`.
    """
    named = content.get("format") if isinstance(content, dict) else None
    found = re.fullmatch(rf"{family}/([0-9]{{1,9}})", named) if isinstance(named, str) else None
    if found and int(found[1]) > NEWEST:
        raise UnreadableInput(
            f"was written by a newer freeair ({named}, this one reads {family}/{NEWEST})",
            where=where,
            remedy="Update freeair to read it.",
        )


class Refused(FreeairError):
    """The data or the bench cannot support the result.

    Args:
        reasons: The findings that refuse; at least one.
        where: The take, file or device concerned.
        remedy: General advice beyond that in each reason's text.
    """

    exit_status = 1

    def __init__(self, reasons: Iterable[Finding], *, where: str = "", remedy: str = "") -> None:
        self.reasons = tuple(reasons)
        if not self.reasons:
            raise ValueError("a refusal needs at least one reason")
        what = "; ".join(reason.text.rstrip(".") for reason in self.reasons)
        super().__init__(what, where=where, remedy=remedy)

    def __str__(self) -> str:
        """The paragraph with its reason codes, for whoever reads a traceback."""
        return f"{self.in_words()} [{', '.join(reason.code for reason in self.reasons)}]"

    @classmethod
    def because(
        cls, code: str, what: str, *, next_step: str = "", where: str = "", remedy: str = ""
    ) -> Self:
        """A refusal for one reason, by the fields of its `Finding`."""
        reason = Finding(code, what, refuses=True, next_step=next_step)
        return cls([reason], where=where, remedy=remedy)


class BenchFailure(Refused):
    """The sound hardware failed; what was captured until then is kept.

    Args:
        where: The device.
        remedy: What to do about it.
    """
