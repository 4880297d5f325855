"""What a file's model has against its content, in words for whoever edited the file."""

from __future__ import annotations

import difflib
import re
from typing import Any, TypeVar, get_args

from pydantic import BaseModel, ValidationError

from meas.errors import UnreadableInput

Model = TypeVar("Model", bound=BaseModel)

_MOST_TOLD = 20
_MOST_READABLE = 1000
_LONGEST_KEY = 60


def validate(model: type[Model], json_text: str, where: str, remedy: str) -> Model:
    """Read JSON into a model, strictly: no text is taken for a number, no truth for a 1.

    Args:
        model: What the file should hold.
        json_text: The content, as JSON whatever the file's own notation is.
        where: The file, for messages.
        remedy: What to do when it is wrong.

    Raises:
        UnreadableInput: Naming every wrong key with its value at once.
    """
    try:
        return model.model_validate_json(json_text, strict=True)
    except ValidationError as error:
        raise UnreadableInput(_reasons(model, error), where=where, remedy=remedy) from error


def check_version(content: object, family: str, newest: int, where: str) -> None:
    """Refuse what a newer version wrote before its unknown keys look like mistakes.

    Raises:
        UnreadableInput: If ``format`` names the family with a number above ``newest``.
    """
    named = content.get("format") if isinstance(content, dict) else None
    found = re.fullmatch(rf"{family}/([0-9]{{1,9}})", named) if isinstance(named, str) else None
    if found and int(found[1]) > newest:
        raise UnreadableInput(
            f"was written by a newer freeair ({named}, this one reads {family}/{newest})",
            where=where,
            remedy="Update freeair to read it.",
        )


def _reasons(model: type[BaseModel], error: ValidationError) -> str:
    count = error.error_count()
    if count > _MOST_READABLE:  # to tell a million of them one by one would fill the memory
        return f"{count} keys and values are not as they should be: this is another kind of file"
    told = [_reason(model, detail) for detail in error.errors()]
    more = f"; and {count - _MOST_TOLD} more" if count > _MOST_TOLD else ""
    return "; ".join(told[:_MOST_TOLD]) + more


def _reason(model: type[BaseModel], detail: Any) -> str:
    loc: tuple[str | int, ...] = detail["loc"]
    key = "".join(
        f"[{part + 1}]" if isinstance(part, int) else f".{part[:_LONGEST_KEY]}" for part in loc
    )[1:]
    if detail["type"] == "extra_forbidden":
        word = str(loc[-1])[:_LONGEST_KEY]
        near = difflib.get_close_matches(word, _keys_beside(model, loc), n=1, cutoff=0.6)
        return f"unknown key {key}" + (f" (did you mean {near[0]}?)" if near else "")
    if detail["type"] == "missing":
        return f"{key} is missing"
    text = str(detail["msg"]).removeprefix("Value error, ").replace("Input should", "should")
    value = detail["input"]
    if detail["type"] in ("float_type", "int_type") and isinstance(value, str):
        text += ", without quotes and without a unit"
    if isinstance(value, dict | list) or not key:
        return f"{key}: {text}" if key else text
    return f"{key} = {_shortened(value)} {text}"


def _keys_beside(model: type[BaseModel], loc: tuple[str | int, ...]) -> list[str]:
    """Names of the keys that the table with the unknown one may have."""
    table: type[BaseModel] | None = model
    for part in loc[:-1]:
        field = table.model_fields.get(str(part)) if table is not None else None
        if field is None:
            continue
        kinds = (field.annotation, *get_args(field.annotation))
        found = [k for k in kinds if isinstance(k, type) and issubclass(k, BaseModel)]
        table = found[0] if found else None
    return list(table.model_fields) if table is not None else []


def _shortened(value: object) -> str:
    text = repr(value)
    return text if len(text) <= 40 else f"{text[:37]}..."
