"""Impedance tables (CSV): the open format in which curves come and go.

A header row names the columns in any order: ``frequency_hz`` with ``resistance_ohm`` and
``reactance_ohm``, or with ``magnitude_ohm`` and optionally ``phase_deg``; optionally
``standard_uncertainty_ohm``. Other columns are ignored. ``Hz,ohm`` and ``Hz,ohm,degrees`` do as
well, and so do three such columns without any header, with blanks between. Cells are separated by
comma, semicolon or tab; with the latter two the decimal sign may be a comma. Lines that start with
# are comments.
"""

from __future__ import annotations

import codecs
import csv
import difflib
import re
from array import array
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import replace
from itertools import chain
from pathlib import Path

import numpy as np

from meas.curve import ComplexArray, Curve, FloatArray, ImpedanceCurve, MagnitudeCurve
from meas.errors import UnreadableInput
from meas.files.outside_text import cell, one_line
from meas.files.reading import read_bytes
from meas.files.writing import write_text
from meas.tables import error_columns
from meas.tables.rounding import visible_limits
from meas.tables.short_headers import NUMBER, by_units, of_numbers

COMPUTED = "model in free air"
"""Beginning of the comment by which a curve says that it was computed, not measured."""

_FREQUENCY = "frequency_hz"
_RESISTANCE = "resistance_ohm"
_REACTANCE = "reactance_ohm"
_MAGNITUDE = "magnitude_ohm"
_PHASE = "phase_deg"
_UNCERTAINTY = "standard_uncertainty_ohm"
_KNOWN = (_FREQUENCY, _RESISTANCE, _REACTANCE, _MAGNITUDE, _PHASE, _UNCERTAINTY)
_POSITIVE = (_FREQUENCY, _MAGNITUDE, _UNCERTAINTY)

_LARGEST_FILE = 100_000_000
_MOST_ROWS = 1_000_000  # a transform of two million points gives as many
_LONGEST_LINE = 100_000
_LARGEST_NUMBER = 1e12  # beyond any frequency or impedance, and safe to square
_GENERAL = "Give an impedance table (CSV) with a header row."
# The two forms of one row may differ by rounding: three significant digits are the coarsest use.
_ROUNDING = 0.01


def read(path: Path) -> Curve:
    """Read an impedance table.

    Rows may come in any order of frequency; two of one frequency are an error. Where a table
    holds magnitude, phase and an uncertainty, the uncertainty of the magnitude is taken for the
    real and the imaginary part each.
    Rounding that the numbers show is kept with the curve.

    Returns:
        An `ImpedanceCurve`, or a `MagnitudeCurve` when there is no phase.

    Raises:
        UnreadableInput: If anything is wrong, with line and column.
    """
    content = _decoded(path)
    rows = _rows(path, content)
    delimiter, header, lines = _header(path, rows)
    columns = _columns(path, header)
    data = ((line, _cells(path, line, text, header, delimiter)) for line, text in lines)
    numbers, at = _numbers(path, data, columns, decimal_comma=delimiter != ",")
    if not at:
        raise _error(path, "has a header and no rows of values")
    order = _sorted(path, at, numbers[_FREQUENCY])
    ordered = {name: column[order] for name, column in numbers.items()}
    curve = _curve(path, [at[k] for k in order], ordered)
    errors = error_columns.found(
        error_columns.named(content), ordered, phase=isinstance(curve, ImpedanceCurve)
    )
    return replace(curve, systematics=errors) if errors else curve


def write(path: Path, curve: Curve, comments: Sequence[str] = ()) -> None:
    """Write a curve as an impedance table; nothing is overwritten.

    Raises:
        UsageError: If the file exists or cannot be written.
    """
    write_text(path, as_text(curve, comments))


def as_text(curve: Curve, comments: Sequence[str] = (), *, errors: bool = False) -> str:
    """A curve as an impedance table whose numbers read back exactly.

    Args:
        errors: Whether the common errors of the bench go with it, for where nobody knows the bench.
    """
    columns: dict[str, FloatArray] = {_FREQUENCY: curve.frequency_hz}
    if isinstance(curve, MagnitudeCurve):
        columns[_MAGNITUDE] = curve.magnitude_ohm
    else:
        columns[_RESISTANCE] = curve.impedance_ohm.real
        columns[_REACTANCE] = curve.impedance_ohm.imag
    if curve.standard_uncertainty_ohm is not None:
        columns[_UNCERTAINTY] = curve.standard_uncertainty_ohm
    lines = [comment_line(comment) for comment in comments]
    if errors:
        columns |= error_columns.columns(curve)
        lines += [comment_line(comment) for comment in error_columns.comments(curve)]
    lines.append(",".join(columns))
    for row in zip(*(column.tolist() for column in columns.values()), strict=True):
        lines.append(",".join(map(repr, row)))
    return "\n".join(lines) + "\n"


def comment_line(text: str) -> str:
    """A comment of a table: one line, which spreadsheets split into cells as any other."""
    return f"# {cell(one_line(text))}"


def has_no_header(path: Path) -> bool:
    """Tell whether the columns of a table are told by their order alone.

    Raises:
        UnreadableInput: If it is no text file.
    """
    first = next(_rows(path, _decoded(path)), None)
    if first is None:
        return False
    splits = (*(_names(first[1], delimiter) for delimiter in ",;\t"), first[1].split())
    return any(map(of_numbers, splits))


def as_bare_columns(curve: Curve) -> str:
    """A curve as columns without a header: Hz, ohm, degrees; without phase headed Hz and ohm."""
    columns, head = [curve.frequency_hz], ""
    if isinstance(curve, MagnitudeCurve):
        columns.append(curve.magnitude_ohm)
        head = "Hz\tohm\n"
    else:
        columns += [np.abs(curve.impedance_ohm), np.degrees(np.angle(curve.impedance_ohm))]
    rows = zip(*(column.tolist() for column in columns), strict=True)
    return head + "".join("\t".join(map(repr, row)) + "\n" for row in rows)


def _decoded(path: Path) -> str:
    """The text, in the encodings that spreadsheets write."""
    content = read_bytes(path, "impedance table", _LARGEST_FILE, _GENERAL)
    for mark, encoding in (
        (codecs.BOM_UTF8, "utf-8-sig"),
        (codecs.BOM_UTF16_LE, "utf-16"),
        (codecs.BOM_UTF16_BE, "utf-16"),
    ):
        if content.startswith(mark):
            try:
                return content.decode(encoding)
            except UnicodeDecodeError as error:
                raise _error(path, f"is damaged at byte {error.start}: no {encoding}") from error
    if b"\0" in content:
        raise _error(path, "is no text file")
    try:
        return content.decode("utf-8")
    except UnicodeDecodeError:
        return content.decode("latin-1")  # only comments and ignored columns can differ


def _rows(path: Path, text: str) -> Iterator[tuple[int, str]]:
    """Numbered lines without comments, blank lines and a spreadsheet's separator hint."""
    for number, found in enumerate(re.finditer(r"([^\r\n]*)(?:\r\n|\n|\r|$)", text), start=1):
        if len(line := found[1]) > _LONGEST_LINE:
            raise _error(path, f"the line has {len(line)} characters", line=number)
        bare = line.strip().strip(",;\t")
        if "\0" in bare:
            raise _error(path, "is no text file", line=number)
        if not bare or bare.lstrip('"').startswith("#") or re.fullmatch(r"sep=.?", bare):
            continue
        yield number, line


def _header(
    path: Path, rows: Iterator[tuple[int, str]]
) -> tuple[str, list[str], Iterator[tuple[int, str]]]:
    """Separator, column names and the rows after them."""
    first = next(rows, None)
    if first is None:
        raise _error(path, "is empty")
    line, text = first
    delimiters = sorted(",;\t", key=text.count, reverse=True)
    for delimiter in delimiters:
        names = by_units(_names(text, delimiter))
        if _FREQUENCY in names:
            return delimiter, names, rows
    for delimiter in delimiters:
        if bare := of_numbers(_names(text, delimiter)):
            return delimiter, bare, chain([first], rows)
    if bare := of_numbers(text.split()):
        apart = ((number, "\t".join(row.split())) for number, row in chain([first], rows))
        return "\t", bare, apart
    _split(path, line, text, delimiters[0])  # names what is wrong with the quotes, if they are
    return delimiters[0], _names(text, delimiters[0]), rows


def _names(text: str, delimiter: str) -> list[str]:
    # Not strict: quotes that end before another separator would stop the search for it.
    try:
        return [name.strip().lower() for name in next(csv.reader([text], delimiter=delimiter), [])]
    except csv.Error:
        return []


def _columns(path: Path, header: Sequence[str]) -> dict[str, int]:
    """Column number of each known name; checks that they make a curve."""
    for name in _KNOWN:
        if header.count(name) > 1:
            raise _error(path, f"two columns are called {name}")
    found = {name: header.index(name) for name in _KNOWN if name in header}
    found |= {name: header.index(name) for name in header if error_columns.COLUMN.fullmatch(name)}
    if _FREQUENCY not in found:
        raise _missing(path, header, _FREQUENCY)
    parts = [name for name in (_RESISTANCE, _REACTANCE) if name in found]
    if len(parts) == 1 and _MAGNITUDE not in found:
        raise _missing(path, header, _REACTANCE if parts == [_RESISTANCE] else _RESISTANCE)
    if not parts and _MAGNITUDE not in found:
        raise _missing(path, header, _MAGNITUDE)
    return found


def _missing(path: Path, header: Sequence[str], name: str) -> UnreadableInput:
    shown = ", ".join(title or "(no name)" for title in header[:12])[:200]
    near = difflib.get_close_matches(name, [h for h in header if h not in _KNOWN], n=1, cutoff=0.4)
    hint = f"; perhaps '{near[0][:60]}' is meant to be it" if near else ""
    return _error(
        path,
        f"has no column {name} in its header ({shown}){hint}",
        "The first row names the columns: frequency_hz with resistance_ohm and reactance_ohm, "
        "or with magnitude_ohm and optionally phase_deg.",
    )


def _split(path: Path, line: int, text: str, delimiter: str) -> list[str]:
    try:
        return next(csv.reader([text], delimiter=delimiter, strict=True), [])
    except csv.Error as error:
        raise _error(path, f"the cells cannot be told apart ({error})", line=line) from error


def _cells(path: Path, line: int, text: str, header: Sequence[str], delimiter: str) -> list[str]:
    cells = [cell.strip() for cell in _split(path, line, text, delimiter)]
    nameless = [k for k, cell in enumerate(cells) if cell and (k >= len(header) or not header[k])]
    if nameless:
        raise _error(
            path,
            f"has more cells than the header has names, from '{cells[nameless[0]][:40]}'",
            "A decimal comma needs semicolons or tabs between the cells."
            if delimiter == ","
            else "Name every column in the header.",
            line=line,
        )
    return cells


def _numbers(
    path: Path,
    data: Iterable[tuple[int, Sequence[str]]],
    columns: dict[str, int],
    *,
    decimal_comma: bool,
) -> tuple[dict[str, FloatArray], Sequence[int]]:
    """Read each known column as numbers, shape (n,), with the line of each row."""
    numbers = {name: array("d") for name in columns}
    lines = array("q")
    sign_seen = ""
    for line, cells in data:
        if len(lines) == _MOST_ROWS:
            raise _error(
                path,
                "has more than a million rows, too many for an impedance table",
                "Smooth it, or keep every tenth row.",
            )
        lines.append(line)
        for name, index in columns.items():
            cell = cells[index] if index < len(cells) else ""
            value = _number(path, line, name, cell, decimal_comma=decimal_comma)
            sign = next((sign for sign in ",." if sign in cell), "")
            if sign and sign_seen and sign != sign_seen:
                raise _error(
                    path,
                    f"'{cell[:40]}' has a decimal {_SIGNS[sign]} where cells before it have a "
                    f"decimal {_SIGNS[sign_seen]}",
                    "Use one of them throughout, and no thousands separators.",
                    line=line,
                    column=name,
                )
            sign_seen = sign_seen or sign
            numbers[name].append(value)
    return {name: np.array(column) for name, column in numbers.items()}, lines


_SIGNS = {",": "comma", ".": "point"}


def _number(path: Path, line: int, column: str, cell: str, *, decimal_comma: bool) -> float:
    if not cell:
        raise _error(path, "the cell is empty", line=line, column=column)
    if not NUMBER.fullmatch(cell):
        raise _error(path, f"'{cell[:40]}' is no number", line=line, column=column)
    if "," in cell and not decimal_comma:
        raise _error(
            path,
            f"'{cell[:40]}' has a decimal comma between comma-separated cells",
            "Use decimal points, or semicolons between the cells.",
            line=line,
            column=column,
        )
    value = float(cell.replace(",", "."))
    if abs(value) > _LARGEST_NUMBER:
        raise _error(path, f"{cell[:40]} is absurdly large", line=line, column=column)
    if column in _POSITIVE and value <= 0:
        raise _error(path, f"{cell[:40]} is not greater than zero", line=line, column=column)
    if column == _PHASE and abs(value) > 360:
        raise _error(path, f"{cell[:40]} degrees is no phase", line=line, column=column)
    return value


def _sorted(path: Path, lines: Sequence[int], frequency_hz: FloatArray) -> list[int]:
    order = np.argsort(frequency_hz, kind="stable")
    repeated = np.flatnonzero(np.diff(frequency_hz[order]) == 0)
    if repeated.size:
        first, second = order[repeated[0]], order[repeated[0] + 1]
        raise _error(
            path,
            f"the frequency {frequency_hz[first]:g} Hz stands in line {lines[first]} already",
            "Keep one row for each frequency; store several measurements in several files.",
            line=lines[second],
            column=_FREQUENCY,
        )
    return [int(k) for k in order]


def _curve(path: Path, lines: Sequence[int], numbers: dict[str, FloatArray]) -> Curve:
    frequency_hz = numbers[_FREQUENCY]
    uncertainty = numbers.get(_UNCERTAINTY)
    if _RESISTANCE in numbers and _REACTANCE in numbers:
        impedance = (numbers[_RESISTANCE] + 1j * numbers[_REACTANCE]).astype(np.complex128)
        if _MAGNITUDE in numbers:
            _check_agreement(path, lines, impedance, numbers)
        rounding = _both(visible_limits(impedance.real), visible_limits(impedance.imag))
        return ImpedanceCurve(frequency_hz, impedance, uncertainty, rounding_ohm=rounding)
    magnitude = numbers[_MAGNITUDE]
    rounding = visible_limits(magnitude)
    if _PHASE in numbers:
        turned = visible_limits(numbers[_PHASE])
        across = None if turned is None else magnitude * np.radians(turned)
        rounding = _both(rounding, across)
        return ImpedanceCurve(frequency_hz, _polar(numbers), uncertainty, rounding_ohm=rounding)
    return MagnitudeCurve(frequency_hz, magnitude, uncertainty, rounding_ohm=rounding)


def _both(one: FloatArray | None, other: FloatArray | None) -> FloatArray | None:
    """Limits of a component, from those of two: the mean of their squares; None counts as none."""
    found = [limits for limits in (one, other) if limits is not None]
    if not found:
        return None
    return np.asarray(np.sqrt(sum(limits**2 for limits in found) / 2))


def _polar(numbers: dict[str, FloatArray]) -> ComplexArray:
    turned = np.exp(1j * np.radians(numbers[_PHASE]))
    return (numbers[_MAGNITUDE] * turned).astype(np.complex128)


def _check_agreement(
    path: Path, lines: Sequence[int], impedance: ComplexArray, numbers: dict[str, FloatArray]
) -> None:
    """A table that says everything twice must say the same."""
    if _PHASE in numbers:
        difference = impedance - _polar(numbers)
    else:
        difference = (np.abs(impedance) - numbers[_MAGNITUDE]).astype(np.complex128)
    wrong = np.flatnonzero(np.abs(difference) > _ROUNDING * numbers[_MAGNITUDE])
    if wrong.size:
        raise _error(
            path,
            "resistance and reactance contradict magnitude and phase",
            "Keep the columns that are right.",
            line=lines[wrong[0]],
        )


def _error(
    path: Path, what: str, remedy: str = "", *, line: int | None = None, column: str = ""
) -> UnreadableInput:
    at = "" if line is None else f"line {line}"
    if column:
        at += f", column {column}"
    advice = remedy or (_GENERAL if line is None else "Mend that row, or remove it.")
    return UnreadableInput(what, where=str(path), at=at, remedy=advice)
