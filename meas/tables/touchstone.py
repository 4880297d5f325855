"""One-port impedance in Touchstone files, the open format of network analysis.

Touchstone File Format Specification, version 1.1 (2002) and version 2.0 (IBIS Open Forum, 2009).
Version 1 gives Z normalised to the reference resistance of the option line, version 2 gives it in
ohm; with a reference of 1 ohm both read the same.
"""

from __future__ import annotations

import re
from array import array
from pathlib import Path
from typing import Literal

import numpy as np

from meas.curve import ComplexArray, FloatArray, ImpedanceCurve
from meas.errors import UnreadableInput
from meas.files.outside_text import one_line
from meas.files.reading import read_bytes
from meas.files.writing import write_text

_SCALE = {"HZ": 1.0, "KHZ": 1e3, "MHZ": 1e6, "GHZ": 1e9}
_LARGEST_FILE = 100_000_000
_MOST_ROWS = 1_000_000  # a transform of two million points gives as many
_LONGEST_LINE = 10_000
_LARGEST_NUMBER = 1e12  # beyond any frequency or impedance, and safe to square
_NUMBER = re.compile(r"[+-]?(?:[0-9]+\.?[0-9]*|\.[0-9]+)(?:[eE][+-]?[0-9]+)?")
_ADVICE = "Is it a Touchstone one-port (.s1p)?"


def write(
    path: Path, curve: ImpedanceCurve, version: Literal[1, 2] = 1, comments: tuple[str, ...] = ()
) -> None:
    """Write a curve as a one-port of Z parameters; nothing is overwritten.

    Raises:
        UsageError: If the file exists or cannot be written.
    """
    write_text(path, as_text(curve, version, comments))


def as_text(
    curve: ImpedanceCurve, version: Literal[1, 2] = 1, comments: tuple[str, ...] = ()
) -> str:
    """A curve as Touchstone text whose numbers read back exactly."""
    rows = [
        f"{f!r} {z.real!r} {z.imag!r}"
        for f, z in zip(curve.frequency_hz.tolist(), curve.impedance_ohm.tolist(), strict=True)
    ]
    head = [f"! {one_line(comment)}" for comment in comments]
    if version == 1:
        return "\n".join([*head, "# HZ Z RI R 1", *rows, ""])
    return "\n".join(
        [
            *head,
            "[Version] 2.0",
            "# HZ Z RI R 1",
            "[Number of Ports] 1",
            f"[Number of Frequencies] {len(rows)}",
            "[Reference] 1.0",
            "[Network Data]",
            *rows,
            "[End]",
            "",
        ]
    )


def read(path: Path) -> ImpedanceCurve:
    """Read a one-port of S, Y or Z parameters, version 1 or 2.

    Raises:
        UnreadableInput: If it is not one, with the line.
    """
    return from_text(_text(path), str(path))


def from_text(text: str, where: str) -> ImpedanceCurve:
    """Read the text of a file, as `read` does.

    Args:
        where: Name of the file, for messages.

    Raises:
        UnreadableInput: If it is not a one-port Touchstone text, with the line.
    """
    scale, kind, form, reference = 1e9, "S", "MA", 50.0  # the specification's defaults
    version, option_seen, ended = 1, False, False
    rows = array("d")
    for number, found in enumerate(re.finditer(r"([^\r\n]*)(?:\r\n|\n|\r|$)", text), start=1):
        line = found[1].split("!", 1)[0].strip()
        at = (where, number)
        if len(line) > _LONGEST_LINE:
            raise _error(at, f"the line has {len(line)} characters", _ADVICE)
        if not line or ended:
            continue
        if line.startswith("["):
            keyword, _, value = line[1:].partition("]")
            version, reference, ended = _keyword(
                keyword.strip().lower(), value.strip(), at, version, reference
            )
        elif line.startswith("#"):
            if not option_seen:  # only the first counts (version 2.0, rule 5)
                scale, kind, form, reference = _option_line(line, at)
            option_seen = True
        else:
            rows.extend(_row(line, at))
            if len(rows) > 3 * _MOST_ROWS:
                raise UnreadableInput(
                    "has more than a million rows, too many for a one-port of audio",
                    where=where,
                    remedy="Keep every tenth row.",
                )
    if not rows:
        raise UnreadableInput("holds no network data", where=where, remedy=_ADVICE)
    table = np.array(rows).reshape(-1, 3)
    values = _complex(table[:, 1], table[:, 2], form)
    impedance = _impedance(values, kind, reference, version)
    frequency_hz = table[:, 0] * scale
    _check_size(where, frequency_hz, impedance)
    try:
        return ImpedanceCurve(frequency_hz, impedance)
    except ValueError as error:
        raise UnreadableInput(
            f"is not a usable curve: {error}", where=where, remedy="Check the rows of data."
        ) from error


_At = tuple[str, int]
"""Name of the file, and number of the line in it."""


def _error(at: _At, what: str, remedy: str) -> UnreadableInput:
    where, number = at
    return UnreadableInput(what, where=where, at=f"line {number}", remedy=remedy)


def _text(path: Path) -> str:
    content = read_bytes(path, "one-port", _LARGEST_FILE, _ADVICE)
    return content.decode("utf-8", errors="replace")


def _keyword(
    keyword: str, value: str, at: _At, version: int, reference: float
) -> tuple[int, float, bool]:
    """New version, reference and whether the data ended."""
    if keyword == "version":
        if value not in {"2.0", "2.1"}:
            what = f"Touchstone version {value[:40]!r} is not known"
            raise _error(at, what, "Versions 1 and 2.0 are read.")
        return 2, reference, False
    if keyword == "number of ports" and value != "1":
        what = f"has {value[:40]} ports; an impedance has one"
        raise _error(at, what, "Give a one-port (.s1p).")
    if keyword == "reference":
        return version, _reference(value, at), False
    return version, reference, keyword == "end"


def _option_line(line: str, at: _At) -> tuple[float, str, str, float]:
    scale, kind, form, reference = 1e9, "S", "MA", 50.0
    words = iter(line[1:].upper().split())
    for word in words:
        if word in _SCALE:
            scale = _SCALE[word]
        elif word in {"S", "Y", "Z"}:
            kind = word
        elif word in {"RI", "MA", "DB"}:
            form = word
        elif word == "R":
            reference = _reference(next(words, ""), at)
        else:
            what = f"the option line says {word[:40]!r}, which is not for a one-port"
            raise _error(at, what, "It should read like: # HZ Z RI R 1")
    return scale, kind, form, reference


def _row(line: str, at: _At) -> tuple[float, float, float]:
    cells = line.split()
    if len(cells) != 3:
        what = f"has {len(cells)} numbers where a one-port has three"
        raise _error(at, what, "Each row needs a frequency and two numbers.")
    f, a, b = (_number(cell, at) for cell in cells)
    return f, a, b


def _number(text: str, at: _At) -> float:
    value = float(text) if _NUMBER.fullmatch(text) else _LARGEST_NUMBER
    if abs(value) >= _LARGEST_NUMBER:
        what = f"{text[:40]!r} is not a finite number of any use here"
        raise _error(at, what, "Write numbers like 1.25e3.")
    return value


def _reference(text: str, at: _At) -> float:
    value = _number(text, at)
    if value <= 0:
        raise _error(at, f"a reference of {text[:40]} ohm", "It is a resistance above zero.")
    return value


def _check_size(where: str, frequency_hz: FloatArray, impedance: ComplexArray) -> None:
    """Refuse what cannot be an impedance in the audio band; it would only overflow later."""
    size = np.where(np.isfinite(impedance), np.abs(impedance), 0.0)  # the curve refuses infinities
    absurd = (frequency_hz > _LARGEST_NUMBER) | (size > _LARGEST_NUMBER)
    if np.any(absurd):
        raise UnreadableInput(
            f"row {int(np.argmax(absurd)) + 1} of the data is absurdly large",
            where=where,
            remedy="Check unit, form and reference in the option line (# HZ Z RI R 1).",
        )


def _complex(a: FloatArray, b: FloatArray, form: str) -> ComplexArray:
    if form == "RI":
        return np.asarray(a + 1j * b)
    with np.errstate(over="ignore"):
        magnitude = 10 ** (a / 20) if form == "DB" else a
    return np.asarray(magnitude * np.exp(1j * np.radians(b)))


def _impedance(values: ComplexArray, kind: str, reference: float, version: int) -> ComplexArray:
    with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
        if kind == "S":
            return np.asarray(reference * (1 + values) / (1 - values))
        normalisation = reference if version == 1 else 1.0
        if kind == "Z":
            return np.asarray(values * normalisation)
        return np.asarray(normalisation / values)
