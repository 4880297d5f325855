"""Version of the program."""

from __future__ import annotations


def program_version() -> str:
    """Version of the installed program; says so in a checkout that is not installed."""
    from importlib.metadata import PackageNotFoundError, version

    try:
        return version("freeair")
    except PackageNotFoundError:
        return "(not installed)"
