"""Settings of matplotlib that are the same whatever lies around."""

from __future__ import annotations

import os
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from importlib import import_module
from pathlib import Path
from typing import Any


def matplotlib() -> Any:
    """Import the library, with no settings but its own.

    At its first import it would read a ``matplotlibrc`` in the current folder, which in a download
    may name fonts that are not there, hand every text to a LaTeX, or be a pipe that never ends.
    """
    if "matplotlib" not in sys.modules:
        with _no_file_of_settings():
            import_module("matplotlib")
    return sys.modules["matplotlib"]


def fixed(own: dict[str, Any]) -> dict[str, Any]:
    """Lay our settings above the library's defaults."""
    defaults = matplotlib().rcParamsDefault
    return {key: defaults[key] for key in defaults if not key.startswith("backend")} | own


@contextmanager
def _no_file_of_settings() -> Iterator[None]:
    exists = os.path.exists

    def asked(path: Any) -> bool:
        its_own = "mpl-data" in Path(path).parts
        return (its_own or Path(path).name != "matplotlibrc") and exists(path)

    os.path.exists = asked
    try:
        yield
    finally:
        os.path.exists = exists
