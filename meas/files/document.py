"""JSON documents of ours, read whole and checked by a model; those of a newer version refused."""

from __future__ import annotations

from pathlib import Path
from typing import TypeVar

from pydantic import BaseModel

from meas.errors import NEWEST, UnreadableInput, check_version
from meas.files.json_file import LARGEST, read_json
from meas.files.schema_errors import validate

Model = TypeVar("Model", bound=BaseModel)


def read_document(
    model: type[Model], family: str, path: Path, kind: str, remedy: str, largest: int = LARGEST
) -> Model:
    """Read a JSON file into its model.

    Args:
        family: Name of its format without the version, such as ``freeair-take``.
        kind: What it should be, for messages, such as "plan of a box".
        remedy: What to do when it is none.
        largest: Bytes that a file of this kind has at most.

    Raises:
        UnreadableInput: If it cannot be read, is of another format, was written by a newer version,
            or holds wrong keys or values: all of them at once.
    """
    content, text = read_json(path, kind, remedy, largest)
    check_version(content, family, str(path))
    try:
        return validate(model, text, str(path), remedy)
    except UnreadableInput as error:
        if isinstance(content, dict) and content.get("format") == f"{family}/{NEWEST}":
            raise
        what = f"is no {kind}: {error.what}"
        raise UnreadableInput(what, where=str(path), remedy=remedy) from error
