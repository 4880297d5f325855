"""``freeair targets``: what was meant, in a file."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from cli.targets import from_parts
from cli.terminal import show

app = typer.Typer(
    no_args_is_help=True, help="What a driver was meant to be.", rich_markup_mode=None
)


@app.callback()
def _targets() -> None:
    """What a driver was meant to be."""


@app.command("new")
def new(
    file: Annotated[Path, typer.Argument(metavar="FILE", help="File to make (TOML).")],
) -> None:
    """Make a commented targets file to fill in.

    \b
    freeair targets new lantern-targets.toml
    """
    from cli.sources import targets_file

    targets_file.write_new(file)
    show.line(str(file))
    show.note("Fill in what you meant, then: freeair fit TAKE... --targets " + str(file))


app.command("from-parts")(from_parts.from_parts)
