"""The program ``freeair``: its commands, listed once."""

from __future__ import annotations

import sys
import warnings
from typing import Annotated

import typer

from cli import demo
from cli.bench import import_capture as import_
from cli.bench import polarity, take
from cli.box import check as box_check
from cli.box import command as box
from cli.driver import compare, export, fit, levels
from cli.filter import command as filter_
from cli.guide import command as guide
from cli.part import command as part
from cli.refit import command as refit
from cli.rig import commands as rig
from cli.series import commands as series
from cli.targets import commands as targets
from cli.targets import wind
from cli.terminal import show
from cli.terminal.boundary import app, run
from cli.terminal.import_path import trusted
from cli.terminal.version import program_version


def _print_version(wanted: bool) -> None:
    if wanted:
        show.line(f"freeair {program_version()}")
        raise typer.Exit


@app.callback()
def _freeair(
    _version: Annotated[
        bool,
        typer.Option("--version", callback=_print_version, is_eager=True, help="Show the version."),
    ] = False,
) -> None:
    """Measure, judge and compare loudspeaker drivers built at home.

    \b
    To be led, step by step:     freeair
    The whole job, no hardware:  freeair demo
    Your bench, in a file:       freeair rig new bench.toml --series-resistor 10ohm
    One sweep:                   freeair take UNIT --rig bench.toml
    Parameters from takes:       freeair fit TAKE... --diameter 118mm
    """


app.command("guide")(guide.guide)
app.command("demo")(demo.demo)
app.add_typer(rig.app, name="rig")
app.command("take")(take.take)
app.command("import")(import_.import_capture)
app.command("fit")(fit.fit)
app.command("refit")(refit.refit)
app.command("levels")(levels.levels)
app.command("compare")(compare.compare)
app.command("part")(part.part)
app.add_typer(series.app, name="series")
app.add_typer(targets.app, name="targets")
app.command("wind")(wind.wind)
app.command("box")(box.box)
app.command("box-check")(box_check.box_check)
app.command("filter")(filter_.filter_)
app.add_typer(polarity.app, name="polarity")
app.command("export")(export.export)


def main() -> int:
    """Run the command that the program was called with."""
    sys.path[:] = trusted(sys.path)
    if not sys.warnoptions:
        # Warnings of libraries are for developers (python -W error shows them), not for the bench.
        warnings.simplefilter("ignore")
    return run(sys.argv[1:] or (["guide"] if guide.at_terminal() else []))


if __name__ == "__main__":
    sys.exit(main())
