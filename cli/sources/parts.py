"""A measured part out of the file that ``freeair part --save`` wrote."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from fit.parts.store import SavedPart


def read(path: Path) -> SavedPart:
    """A measured part.

    Raises:
        UnreadableInput: If it cannot be read or is no saved part.
    """
    from fit.parts import store
    from meas.files.json_file import read_json

    document, _ = read_json(path, "saved part", store.REMEDY)
    return store.from_json(document, where=str(path))
