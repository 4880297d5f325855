"""A name for a new file that nothing has yet."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

_MOST = 10_000


def names(folder: Path, stem: str, ending: str) -> Iterator[Path]:
    """``stem.ending``, ``stem-2.ending`` and so on, safe on any file system."""
    from meas.files.windows_names import refused_by_windows
    from meas.takes.take import safe_name

    base = safe_name(stem)
    numbered = (f"{base}{'' if k == 1 else f'-{k}'}{ending}" for k in range(1, _MOST))
    return (folder / name for name in numbered if not refused_by_windows(Path(name)))


def free_name(folder: Path, stem: str, ending: str) -> Path:
    """The first of `names` that no file has.

    Raises:
        UsageError: If all are taken.
    """
    from meas.errors import UsageError

    for path in names(folder, stem, ending):
        if not path.exists():
            return path
    raise UsageError(
        "every numbered name is taken", where=f"{stem}{ending}", remedy="Tidy up the folder."
    )
