"""Files dropped on the window: kept in the folder whole, looked at as their command would."""

from __future__ import annotations

import shutil
import tempfile
from collections.abc import AsyncIterator
from pathlib import Path
from typing import Any

from cli.window import folder
from meas.errors import FreeairError, UsageError
from meas.files.writing import write_with

_PLACES = {
    **dict.fromkeys(folder.TABLES, "tables"),
    **dict.fromkeys(folder.RECORDINGS, "recordings"),
}


async def receive(name: str, pieces: AsyncIterator[bytes]) -> str:
    """Write what arrives into the folder, whole or not at all.

    Args:
        name: As the file was called; only its last part and its ending count.
        pieces: Its content; whoever sends too much is stopped by the guard.

    Returns:
        The path below the folder.

    Raises:
        UsageError: If it is of no kind that can be imported.
    """
    bare = Path(name.replace("\\", "/").rsplit("/", 1)[-1][:200])
    ending = bare.suffix.lower()
    place = _PLACES.get(ending)
    if place is None:
        raise UsageError(
            "is of no kind that can be imported",
            where=bare.name,
            remedy="Recordings end in .wav or .flac, tables in .csv or .tsv, Touchstone in .s1p.",
        )
    folder.inside(f"{place}/x")
    Path(place).mkdir(exist_ok=True)
    with tempfile.TemporaryFile() as arrived:
        async for piece in pieces:
            arrived.write(piece)
        arrived.seek(0)
        kept = folder.free_name(place, bare.stem, ending)
        write_with(Path(kept), lambda file: shutil.copyfileobj(arrived, file))
    return kept


def look(kept: str) -> dict[str, Any]:
    """What a kept file is; one that its command would refuse is not kept.

    Raises:
        UsageError: What the command would say.
    """
    path = Path(kept)
    try:
        if path.suffix.lower() in folder.RECORDINGS:
            from meas.audio import recording

            found = recording.read(path)
            seconds = len(found.samples) / found.sample_rate_hz
            return {"kept": kept, "kind": "recording",
                    "words": f"{seconds:.1f} s at {found.sample_rate_hz} Hz"}  # fmt: skip
        curve = folder.curve(kept)
    except FreeairError:
        path.unlink(missing_ok=True)
        raise
    low, high = curve.frequency_hz[[0, -1]]
    words = f"{curve.frequency_hz.size} points, {low:.3g} Hz to {high:.3g} Hz"
    return {"kept": kept, "kind": "table", "words": words}
