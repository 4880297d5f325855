"""Settings that people write as TOML, checked by a model; those of a newer version are refused."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any, TypeVar

from pydantic import BaseModel, ConfigDict, PlainValidator, ValidationError
from pydantic_core import InitErrorDetails, PydanticCustomError

from meas.errors import NEWEST, UnreadableInput, UsageError, check_version, not_of_format
from meas.files.schema_errors import IN_WORDS, validate
from meas.files.toml_file import as_json, read_toml

Model = TypeVar("Model", bound=BaseModel)


class Settings(BaseModel):
    """A file of settings, or a table in one: strict, without unknown keys, fixed once read."""

    model_config = ConfigDict(extra="forbid", strict=True, frozen=True, allow_inf_nan=False)


def read_settings(
    model: type[Model],
    family: str,
    path: Path,
    kind: str,
    remedy: str,
    *,
    needs_format: bool = True,
    entry: str = "",
) -> Model:
    """Read a TOML file of one of our formats into its model.

    Args:
        family: Name of its format without the version.
        kind: What it should be, for messages, such as "stock file".
        remedy: What to do when it is wrong.
        needs_format: Whether the line that names the format must be there.
        entry: What one entry of a list is called in messages, such as "arm".

    Raises:
        UnreadableInput: If it cannot be read, is no TOML (with line and column), is of another
            format, was written by a newer version, or holds wrong keys or values: all of them at
            once.
    """
    content, _ = read_toml(path, kind)
    check_version(content, family, str(path))
    expected = f"{family}/{NEWEST}"
    if "format" not in content and needs_format:
        what = f'is no {kind}: the line format = "{expected}" is missing'
        raise UnreadableInput(what, where=str(path), remedy=remedy)
    found = content.setdefault("format", expected)
    if found != expected:
        raise UnreadableInput(not_of_format(kind, found, expected), where=str(path), remedy=remedy)
    return validate(model, as_json(content), str(path), remedy, entry)


def fault(what: str, advice: str = "") -> PydanticCustomError:
    """A fault of a value in words of our own, to be raised by a validator."""
    text = f"{what}. {advice}".rstrip(". ")
    return PydanticCustomError(IN_WORDS, "{text}", {"text": text})


def read_by(read: Callable[[Any], Any]) -> PlainValidator:
    """Validate a field by a reader that raises `UsageError`."""

    def validated(content: Any) -> Any:
        try:
            return read(content)
        except UsageError as error:
            raise fault(error.what, error.remedy) from error

    return PlainValidator(validated)


def each_read_by(read: Callable[[str, Any], Any]) -> PlainValidator:
    """Validate a table by a reader of one key and its value, into the tuple of what it made.

    All faults are told at once. The reader raises a `fault`, or a `UsageError` whose ``where``
    names a key below the one that it was given.
    """

    def validated(content: Any) -> tuple[Any, ...]:
        if not isinstance(content, dict):
            raise fault("should be a table: write its name in brackets on a line of its own")
        found, faults = [], []
        for key, value in content.items():
            try:
                found.append(read(key, value))
            except PydanticCustomError as error:
                faults.append(InitErrorDetails(type=error, loc=(key,), input=value))
            except UsageError as error:
                below = (error.where,) if error.where else ()
                what = fault(error.what, error.remedy)
                faults.append(InitErrorDetails(type=what, loc=(key, *below), input=value))
        if faults:
            raise ValidationError.from_exception_data("settings", faults)
        return tuple(found)

    return PlainValidator(validated)
