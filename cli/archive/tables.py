"""Results as tables, row by row, so that they never stand in memory as a whole."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Mapping, Sequence
from itertools import islice
from typing import Any, BinaryIO

from meas.errors import UsageError
from meas.files.outside_text import cell

ABOUT = ("unit", "label", "first_taken_at", "last_taken_at", "takes", "model", "not_fitted_because")
UNITS = {
    "ohm": "_ohm", "H": "_henry", "Hz": "_hz", "kg": "_kg", "m/N": "_m_per_n", "kg/s": "_kg_per_s",
    "T m": "_tm", "m3": "_m3", "m2": "_m2", "dB": "_db", "1": "",
}  # fmt: skip
"""Unit to what ends the name of a column."""
_PARTS = ("", "_standard_uncertainty", "_low_95", "_high_95")

Units = Mapping[str, str]
"""Parameter to its unit."""


def columns(units: Units, order: Sequence[str]) -> list[str]:
    """Names of all columns: every parameter with its uncertainty and interval, in SI units."""
    named = list(ABOUT)
    for symbol in order:
        named += [f"{symbol}{part}{UNITS[units[symbol]]}" for part in _PARTS]
        if symbol == "Le":
            named.append("Le_frequency_hz")
    return named


def cells(row: Mapping[str, Any], order: Sequence[str]) -> list[Any]:
    """Write one state as the cells of `columns`; None where there is no number."""
    found: Mapping[str, list[Any]] = row.get("parameters", {})
    because = "; ".join(f"{r['code']}: {r['text']}" for r in row.get("reasons", ()))
    # Names may hold halves of characters, which no file of text can.
    unit, label = (row[key].encode("utf-8", "replace").decode() for key in ("unit", "label"))
    line: list[Any] = [
        unit, label, row["first"], row["last"], row["takes"], row.get("model", ""), because,
    ]  # fmt: skip
    for symbol in order:
        known = found.get(symbol)
        line += [None] * 4 if known is None else [known[0], *known[2:5]]
        if symbol == "Le":
            line.append(known[6] if known is not None and len(known) > 6 else None)
    return line


def write_csv(file: BinaryIO, names: Sequence[str], lines: Iterable[Sequence[Any]]) -> None:
    """Write a table as CSV: UTF-8, numbers in full."""
    text = io.TextIOWrapper(file, encoding="utf-8", errors="replace", newline="")
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(names)
    for line in lines:
        writer.writerow(_written(value) for value in line)
    text.flush()
    text.detach()


def _written(value: Any) -> Any:
    if isinstance(value, str):
        return cell(value)
    return "" if value is None else value


def require_parquet() -> None:
    """Make sure, before anything is computed, that Parquet can be written.

    Raises:
        UsageError: If its library is missing.
    """
    try:
        import pyarrow.parquet  # noqa: F401 - only whether it is there
    except ImportError as error:
        raise UsageError(
            "Parquet needs pyarrow, which is not installed",
            where="--parquet",
            remedy="Install it beside freeair: uv tool install 'freeair[tables]'. The results are "
            "written as CSV in any case.",
        ) from error


def write_parquet(file: BinaryIO, names: Sequence[str], lines: Iterable[Sequence[Any]]) -> None:
    """Write the same table as Parquet: texts, counts and 64-bit floats."""
    import pyarrow
    from pyarrow import parquet

    kinds = {"takes": pyarrow.int32()} | dict.fromkeys(set(ABOUT) - {"takes"}, pyarrow.string())
    schema = pyarrow.schema([(name, kinds.get(name, pyarrow.float64())) for name in names])
    waiting = iter(lines)
    with parquet.ParquetWriter(file, schema) as writer:
        while block := list(islice(waiting, 1000)):
            arrays = [
                pyarrow.array([line[k] for line in block], schema.field(k).type)
                for k in range(len(names))
            ]
            writer.write_batch(pyarrow.record_batch(arrays, schema=schema))
