"""``freeair targets new``: a file for what a driver is meant to be."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from cli.terminal import show


def new(file: Annotated[Path, typer.Argument(metavar="FILE", help="File to make (TOML).")]) -> None:
    """Make a commented targets file to fill in.

    \b
    freeair targets new lantern-targets.toml
    """
    from cli.sources import targets_file

    targets_file.write_new(file)
    show.line(str(file))
    show.note("Fill in what you meant, then: freeair fit TAKE... --targets " + str(file))
