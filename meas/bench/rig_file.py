"""The rig file on disk: commented TOML that people edit, read strictly and updated gently."""

from __future__ import annotations

import json
import re
import secrets
import tomllib
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import tomlkit
from tomlkit.items import AoT, Array, Item, Table

from meas.bench.rig import Calibration, Rig
from meas.bench.rig_comments import COMMENTS, EXAMPLES, HEAD, SUBSTITUTION
from meas.errors import UsageError, check_version
from meas.files.lock import one_writer
from meas.files.outside_text import escaped
from meas.files.schema_errors import validate
from meas.files.toml_file import as_json, read_toml
from meas.files.writing import write_text

_KIND = "rig file"
_ADVICE = "Mend it by hand, or describe the bench anew with: freeair rig new"


def unique_name(stem: str) -> str:
    """A name for a new rig, such as ``bench-3fa2``, that no other rig is likely to have."""
    plain = re.sub(r"[^a-z0-9]+", "-", stem.lower()).strip("-")[:40] or "rig"
    return f"{plain}-{secrets.token_hex(2)}"


def write_new(path: Path, rig: Rig, *, overwrite: bool = False) -> None:
    """Write a rig as a commented file.

    Raises:
        UsageError: If the file exists and may not be overwritten, or cannot be written.
    """
    write_text(path, as_text(rig), overwrite=overwrite)


def as_text(rig: Rig) -> str:
    """A rig as commented TOML; keys without a value are shown as comments."""
    document = tomlkit.document()
    for line in HEAD:
        document.add(tomlkit.comment(line))
    document.add(tomlkit.nl())
    content = rig.model_dump(mode="python")
    _fill(document, {k: v for k, v in content.items() if not isinstance(v, dict)}, "")
    for key, value in content.items():
        if isinstance(value, dict):
            document.add(tomlkit.nl())
            document.add(key, _table(key, value))
    if rig.substitution is None:
        document.add(tomlkit.nl())
        for line in (*COMMENTS["substitution"], *SUBSTITUTION):
            document.add(tomlkit.comment(line))
    return escaped(tomlkit.dumps(document))


def read(path: Path) -> Rig:
    """Read a rig file.

    Raises:
        UnreadableInput: If it cannot be read, is no TOML (with line and column), or holds wrong
            keys or values: all of them at once.
    """
    return _parsed(path)[0]


def update(path: Path, rig: Rig, *, since: Rig | None = None) -> None:
    """Make a rig file say what ``rig`` says; comments, order and untouched values stay.

    Args:
        since: Content of the file when ``rig`` was made from it. Only what differs between the
            two is put in; what somebody else has changed meanwhile stays. None: the file is taken
            to be as it was.

    Raises:
        UnreadableInput: If the file cannot be read as a rig.
        UsageError: If it cannot be written, or somebody else changed the same value meanwhile.
    """
    with one_writer(path):
        old, text = _parsed(path)
        if since is not None:
            rig = _merged(path, since, rig, old)
        try:
            edited = _edited(text, old, rig)
            kept = Rig.model_validate_json(as_json(tomllib.loads(edited)))
        except (ValueError, RecursionError, KeyError, TypeError) as error:
            raise _uneditable(path) from error
        without: Mapping[str, Any] = {"calibration": None}  # its rows are rounded
        if kept.model_copy(update=without) != rig.model_copy(update=without):
            raise _uneditable(path)
        write_text(path.resolve(), edited, overwrite=True)


def _uneditable(path: Path) -> UsageError:
    return UsageError(
        "is laid out in a way that cannot be edited without harm, and was left alone",
        where=str(path),
        remedy="Describe the bench anew with: freeair rig new",
    )


def _merged(path: Path, since: Rig, wished: Rig, now: Rig) -> Rig:
    """The rig as it is now with the wished changes; two of the same value are refused."""
    before, after, content = (each.model_dump(mode="python") for each in (since, wished, now))
    clashes: list[str] = []
    _merge(content, before, after, "", clashes)
    if clashes:
        raise UsageError(
            f"{', '.join(clashes)} was changed by another program or hand meanwhile",
            where=str(path),
            remedy="Nothing was stored. Look at the file, then run this again.",
        )
    return validate(Rig, json.dumps(content), str(path), _ADVICE)


def _merge(
    content: dict[str, Any],
    before: Mapping[str, Any],
    after: Mapping[str, Any],
    prefix: str,
    clashes: list[str],
) -> None:
    for key, value in after.items():
        was, here = before[key], content[key]
        if value in (was, here):
            continue
        # A calibration is one thing: half of one and half of another is none.
        tables = all(isinstance(each, dict) for each in (was, value, here))
        if tables and key != "calibration":
            _merge(here, was, value, f"{prefix}{key}.", clashes)
        elif here != was:
            clashes.append(prefix + key)
        else:
            content[key] = value


def _edited(text: str, old: Rig, rig: Rig) -> str:
    """The text of a rig file with the values of another rig in it."""
    document: Any = tomlkit.parse(text)
    before, after = old.model_dump(mode="python"), rig.model_dump(mode="python")
    for key, value in after.items():
        if value == before[key]:
            continue
        if key == "calibration" or before[key] is None or value is None:
            document.pop(key, None)
            if value is not None:
                document.add(key, _table(key, value))
        elif isinstance(value, dict):
            if key not in document:
                document.add(key, tomlkit.table())
            _change(document[key], before[key], value)
        else:
            document[key] = value
    return tomlkit.dumps(document)


def store_calibration(
    path: Path, rig: Rig, calibration: Calibration, *, since: Rig | None = None
) -> Rig:
    """Store a calibration in the rig file and return the rig with it.

    Args:
        calibration: What was measured, joined with what is kept.

    Raises:
        UnreadableInput: If the file cannot be read as a rig.
        UsageError: As for `update`.
    """
    calibrated = rig.model_copy(update={"calibration": calibration})
    update(path, calibrated, since=since)
    return calibrated


def _parsed(path: Path) -> tuple[Rig, str]:
    content, text = read_toml(path, _KIND)
    check_version(content, "freeair-rig", str(path))
    return validate(Rig, as_json(content), str(path), _ADVICE), text


def _change(table: Any, before: Mapping[str, Any], after: Mapping[str, Any]) -> None:
    for key, value in after.items():
        if value != before[key]:
            if value is None:
                table.pop(key, None)
            else:
                table[key] = value


def _table(key: str, content: Mapping[str, Any]) -> Table:
    table = tomlkit.table()
    for line in COMMENTS[key]:
        table.add(tomlkit.comment(line))
    if COMMENTS[key]:
        table.add(tomlkit.nl())
    _fill(table, content, f"{key}.")
    return table


def _fill(table: Any, content: Mapping[str, Any], prefix: str) -> None:
    for key, value in content.items():
        path = prefix + key
        for line in COMMENTS.get(path, ()):
            if prefix or value is not None:
                table.add(tomlkit.comment(line))
        if isinstance(value, tuple) and value and isinstance(value[0], dict):
            table.add(key, _tables(value))
        elif value is not None:
            table.add(key, _rows(value) if isinstance(value, tuple) else value)
        elif path in EXAMPLES:
            table.add(tomlkit.comment(f"{key} = {EXAMPLES[path]}"))


def _tables(items: Sequence[Mapping[str, Any]]) -> AoT:
    """Write each entry as a ``[[table]]``."""
    tables = tomlkit.aot()
    for item in items:
        table = tomlkit.table()
        _fill(table, item, "calibration.standards.")
        tables.append(table)
    return tables


def _rows(rows: Sequence[Sequence[float]]) -> Item:
    """Write a row a line; nine digits are far below what any calibration resolves."""
    lines = ",\n".join(f"  [{', '.join(_digits(number) for number in row)}]" for row in rows)
    array: Array = tomlkit.array(f"[\n{lines},\n]")
    return array


def _digits(number: float) -> str:
    text = f"{number:.9g}"
    return text if any(mark in text for mark in ".e") else f"{text}.0"
