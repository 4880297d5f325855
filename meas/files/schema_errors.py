"""Faults of a file by its model, in words for whoever edited the file."""

from __future__ import annotations

import difflib
from collections.abc import Iterable
from typing import Any, TypeVar, get_args

from pydantic import BaseModel, ValidationError

from meas.errors import UnreadableInput

Model = TypeVar("Model", bound=BaseModel)

IN_WORDS = "in_words"
"""Type of the faults that say in their own words what is wrong with a value."""

_WORDS = {
    "bool_type": "should be true or false, without quotes",
    "tuple_type": "should be a list",
    "list_type": "should be a list",
}
_MOST_TOLD = 20
_MOST_READABLE = 1000
_LONGEST_KEY = 60


def validate(model: type[Model], json_text: str, where: str, remedy: str, entry: str = "") -> Model:
    """Read JSON into a model, strictly: no text is taken for a number, no truth for a 1.

    Args:
        json_text: The content, as JSON whatever the file's own notation is.
        where: The file, for messages.
        remedy: What to do when it is wrong.
        entry: What one entry of a list is called, such as "arm"; empty: it has only its number.

    Raises:
        UnreadableInput: Naming every wrong key with its value at once.
    """
    try:
        return model.model_validate_json(json_text, strict=True)
    except ValidationError as error:
        raise UnreadableInput(_reasons(model, error, entry), where=where, remedy=remedy) from error


def near(word: str, known: Iterable[str]) -> str:
    """A hint at the known word that was meant, or at all of them."""
    words = list(known)
    folded = [name for name in words if name.lower() == word.lower()]
    found = folded or difflib.get_close_matches(word, words, n=1, cutoff=0.5)
    return f"(did you mean {found[0]}?)" if found else f"(known: {', '.join(words)})"


def _reasons(model: type[BaseModel], error: ValidationError, entry: str) -> str:
    count = error.error_count()
    if count > _MOST_READABLE:  # to tell a million of them one by one would fill the memory
        return f"{count} keys and values are not as they should be: this is another kind of file"
    said = [_reason(model, detail, entry) for detail in error.errors()]
    more = f"; and {count - _MOST_TOLD} more" if count > _MOST_TOLD else ""
    return "; ".join(said[:_MOST_TOLD]) + more


def _reason(model: type[BaseModel], detail: Any, entry: str) -> str:
    loc: tuple[str | int, ...] = detail["loc"]
    key = _key(loc, entry)
    if detail["type"] == "extra_forbidden":
        word = str(loc[-1])[:_LONGEST_KEY]
        return f"unknown key {key} {near(word, _keys_beside(model, loc))}"
    if detail["type"] == "missing":
        return f"{key} is missing"
    if detail["type"] == IN_WORDS:
        return f"{key}: {detail['msg']}" if key else str(detail["msg"])
    if detail["type"] == "too_long" and "actual_length" in detail["ctx"]:
        many, most = detail["ctx"]["actual_length"], detail["ctx"]["max_length"]
        return f"{key}: {many} {entry or 'value'}s, where {most} are the most"
    text, value = _text(detail), detail["input"]
    if isinstance(value, dict | list) or not key:
        return f"{key}: {text}" if key else text
    return f"{key} = {shortened(value)} {text}"


def _text(detail: Any) -> str:
    kind = detail["type"]
    if kind in _WORDS:
        return _WORDS[kind]
    text = str(detail["msg"]).removeprefix("Value error, ").replace("Input should", "should")
    if kind == "literal_error":  # as it is written in the file
        return text.replace("'", '"')
    unquoted = kind in ("float_type", "int_type") and isinstance(detail["input"], str)
    return f"{text}, without quotes and without a unit" if unquoted else text


def _key(loc: tuple[str | int, ...], entry: str) -> str:
    """Keys from the outermost table to the value, such as ``woofer arm 2.inductor``."""
    numbered = f" {entry} {{}}" if entry else "[{}]"
    return "".join(
        numbered.format(part + 1) if isinstance(part, int) else f".{part[:_LONGEST_KEY]}"
        for part in loc
        if part != "[key]"
    )[1:]


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


def shortened(value: object) -> str:
    """A value as it stands in a message."""
    text = repr(value)
    return text if len(text) <= 40 else f"{text[:37]}..."
