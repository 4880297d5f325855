"""Saved fits for Python: the files of ``freeair fit --save``."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from fit.results.result import DriverFit


def load_fit(path: str | Path) -> DriverFit:
    """The fit in a file that ``freeair fit --save`` or `save_fit` wrote.

    Raises:
        UnreadableInput: If it cannot be read or is no saved fit.
    """
    from cli.sources import opened

    return opened.fit(Path(path))[1]


def save_fit(fit: DriverFit, path: str | Path, *, unit: str) -> None:
    """Keep a fit with its covariance and the identity of every error.

    Args:
        path: A new file; nothing is overwritten.

    Raises:
        UsageError: If the file exists or cannot be written.
    """
    from fit.results import store
    from meas.files.json_file import write_json

    write_json(Path(path), store.to_json(fit, unit=unit))
