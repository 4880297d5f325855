"""Import path of the program: what is installed, and no folder that merely lies around."""

from __future__ import annotations

import os
from collections.abc import Sequence
from pathlib import Path

_OURS = Path(__file__).resolve().parents[2]


def trusted(path: Sequence[str], *avoided: Path) -> list[str]:
    """Entries of an import path without the current folder, and folders that were given.

    An empty entry in PYTHONPATH stands for the current folder, and that may be a download with a
    file ``pickle.py`` in it. Where our own package lies stays in any case, and comes last when it
    is one of them, as in a checkout.

    Args:
        path: As ``sys.path``.
    """
    strange = {os.path.realpath(folder) for folder in (*avoided, *_current())}
    kept = []
    for entry in path:
        if Path(entry).is_absolute() and os.path.realpath(entry) not in strange:
            kept.append(entry)
    return kept if str(_OURS) in kept else [*kept, str(_OURS)]


def _current() -> list[Path]:
    try:
        return [Path.cwd()]
    except OSError:  # removed while we stand in it
        return []
