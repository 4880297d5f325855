"""Putting aims and facts into a targets file that somebody keeps: every other line stays as it is.

The file is edited line by line, so that comments, order and spacing survive; afterwards it is
read again and must say what it said before, plus what was put in.
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Mapping
from pathlib import Path

from cli.sources import opened, targets_file
from meas.errors import UsageError
from meas.files.lock import one_writer
from meas.files.outside_text import quoted
from meas.files.toml_file import read_toml
from meas.files.writing import write_text

Scalar = str | int | float
Aim = str | Mapping[str, str]

_HEADER = re.compile(r"^\s*\[\s*(?P<name>[^\[\]]+?)\s*\]\s*(?:#.*)?$")


def put(
    path: Path,
    targets: Mapping[str, Aim],
    winding: Mapping[str, Scalar] | None = None,
    *,
    replace: bool = False,
) -> None:
    """Write aims and facts of the coil into a targets file, making it where there is none.

    Args:
        targets: Symbol to aim as people write it (``"5.8ohm ± 5%"`` or limits by name).
        winding: Facts of the coil by their keys.
        replace: Whether a value that is there and differs may be replaced.

    Raises:
        UsageError: If a value is there, differs and may not be replaced (all of them are named);
            or the file is laid out in a way that cannot be edited without harm.
        UnreadableInput: If the file is no targets file.
    """
    with one_writer(path):
        _put(path, {"targets": targets, "winding": winding or {}}, replace=replace)


def _put(path: Path, wanted: Mapping[str, Mapping[str, Aim | Scalar]], *, replace: bool) -> None:
    exists = path.exists() or path.is_symlink()
    if exists:
        opened.targets(path)  # a file that is wrong is not made worse
        before, text = read_toml(path, "targets file")
    else:
        text = targets_file.new_text({})
        before = tomllib.loads(text)
    clashes = [
        f"{table}.{key} is {before[table][key]!r}, not {_plain(value)!r}"
        for table, wishes in wanted.items()
        for key, value in wishes.items()
        if key in before.get(table, {}) and before[table][key] != _plain(value)
    ]
    if clashes and not replace:
        raise UsageError(
            f"says otherwise already: {'; '.join(clashes)}",
            where=str(path),
            remedy="Add --replace to put the new values in, or give another file.",
        )
    expected = {key: dict(value) if isinstance(value, dict) else value
                for key, value in before.items()}  # fmt: skip
    lines = text.splitlines()
    for table, wishes in wanted.items():
        for key, value in wishes.items():
            lines = _with(lines, table, key, _written(value))
            expected.setdefault(table, {})[key] = _plain(value)
    after = "\n".join(lines) + "\n"
    if _parsed(after) != expected:
        put_in = "; ".join(f"{key} = {_written(value)}" for key, value in wanted["targets"].items())
        raise UsageError(
            "is laid out in a way that cannot be edited without harm, and was left alone",
            where=str(path),
            remedy=f"Put it in yourself, below [targets]: {put_in}",
        )
    write_text(path.resolve() if exists else path, after, overwrite=exists)


def _parsed(text: str) -> object:
    try:
        return tomllib.loads(text)
    except ValueError:
        return None


def _plain(value: Aim | Scalar) -> object:
    return dict(value) if isinstance(value, Mapping) else value


def _written(value: Aim | Scalar) -> str:
    if isinstance(value, Mapping):
        inside = ", ".join(f"{key} = {_written(part)}" for key, part in value.items())
        return f"{{ {inside} }}"
    if isinstance(value, str):
        return quoted(value)
    return repr(value)


def _with(lines: list[str], table: str, key: str, value: str) -> list[str]:
    """The lines with ``key = value`` in the table: over the old value, or over an example of it
    that is commented out, or after the last value of the table."""
    first, last = _span(lines, table)
    if first is None:
        return [*lines, "", f"[{table}]", f"{key} = {value}"]
    active = re.compile(rf"^(?P<head>\s*{re.escape(key)}\s*=\s*)(?P<rest>.*)$")
    example = re.compile(rf"^\s*#\s*{re.escape(key)}\s*=\s*(?P<rest>.*)$")
    for index in range(first, last):
        if found := active.match(lines[index]):
            new = f"{found['head']}{value}"
            return [*lines[:index], _commented(new, found["rest"]), *lines[index + 1 :]]
    for index in range(first, last):
        if found := example.match(lines[index]):
            new = _commented(f"{key} = {value}", found["rest"])
            return [*lines[:index], new, *lines[index + 1 :]]
    values = [i for i in range(first, last) if re.match(r"^\s*[\w-]+\s*=", lines[i])]
    at = values[-1] + 1 if values else first
    return [*lines[:at], f"{key} = {value}", *lines[at:]]


def _commented(new: str, rest: str) -> str:
    """The new line with the comment that stood behind the old value."""
    outside = re.sub(r'"[^"]*"', lambda text: " " * len(text.group()), rest)
    at = outside.find("#")
    return new if at < 0 else f"{f'{new}  ':<40}{rest[at:]}"


def _span(lines: list[str], table: str) -> tuple[int | None, int]:
    """First line after the header of a table, and the line after its last one."""
    first: int | None = None
    for index, text in enumerate(lines):
        header = _HEADER.match(text)
        if header is None:
            continue
        if first is not None:
            return first, index
        if header["name"] == table:
            first = index + 1
    return first, len(lines)
