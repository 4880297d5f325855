"""Hidden names of what is being written, and the end of what a killed program left under one."""

from __future__ import annotations

import secrets
import shutil
import time
from contextlib import suppress
from pathlib import Path

from meas.files.lock import is_held

_NAME = ".unfinished-"
_UNTOUCHED_S = 60.0  # of what nobody holds: its writer locks it right after making it
_UNTOUCHED_WITHOUT_LOCKS_S = 86_400.0


def new_name() -> str:
    """A name that nothing has."""
    return f"{_NAME}{secrets.token_hex(6)}"


def clear(folder: Path) -> None:
    """Remove what killed programs have left in a folder, as far as that is possible."""
    with suppress(OSError, ValueError):  # ValueError: a zero byte in the name
        for left in folder.glob(_NAME + 12 * "[0-9a-f]"):
            with suppress(OSError):
                _clear(left)


def _clear(left: Path) -> None:
    is_folder = left.is_dir() and not left.is_symlink()
    inside = left.iterdir() if is_folder else ()
    untouched = time.time() - max(one.lstat().st_mtime for one in (left, *inside))
    if untouched < _UNTOUCHED_S:
        return  # not even its lock is tried, which its writer may be about to take
    somebody = is_held(left)
    if somebody or (somebody is None and untouched < _UNTOUCHED_WITHOUT_LOCKS_S):
        return
    if is_folder:
        shutil.rmtree(left, ignore_errors=True)
    else:
        left.unlink()
