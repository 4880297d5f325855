"""The program ``freeair``: its commands, listed once."""

from __future__ import annotations

import sys
import warnings
from typing import Annotated

import typer

from cli.terminal import show, streams
from cli.terminal.boundary import app, run
from cli.terminal.import_path import trusted
from cli.terminal.lazy_commands import Commands, Groups, lazy_group
from fit.numerics.one_thread import one_thread_from_the_start

COMMANDS: Commands = {
    "guide": ("cli.guide.command:guide", "Be led through a measurement, step by step."),
    "open": ("cli.window.command:open_", "Show the bench in a window of the browser."),
    "demo": ("cli.demo:demo", "See the whole job without any hardware."),
    "wind": ("cli.targets.wind:wind", "Plan a voice coil, in either direction."),
    "targets": (
        {
            "new": ("cli.targets.new:new", "Make a commented targets file to fill in."),
            "from-parts": ("cli.targets.from_parts:from_parts", "Compute targets from the parts."),
        },
        "Say what a driver was meant to be.",
    ),
    "rig": (
        {
            "choose": ("cli.rig.choose:choose", "Say which series resistor suits card and driver."),
            "devices": ("cli.rig.commands:devices", "List the sound devices as a rig names them."),
            "new": ("cli.rig.commands:new", "Describe the bench in a file that you can edit."),
            "wiring": ("cli.rig.commands:wiring_picture", "Show the wiring and its cautions."),
            "level": ("cli.rig.level:level", "Set and verify how loud the bench plays."),
            "calibrate": ("cli.rig.calibrate:calibrate", "Measure a standard into the rig."),
            "check": ("cli.rig.check:check", "Verify the bench on a known resistor."),
        },
        "Describe, draw, level, calibrate and check the bench.",
    ),
    "take": ("cli.bench.take:take", "Sweep one unit once and save what the inputs recorded."),
    "import": ("cli.bench.import_capture:import_capture", "Make a take out of a recording."),
    "watch": ("cli.bench.watch:watch", "Watch the resonance while hands work on the cone."),
    "polarity": (
        {
            "reference": ("cli.bench.polarity:reference", "Learn the driver input's polarity."),
            "press": ("cli.bench.polarity:press", "Press the cone; say which terminal is plus."),
            "cell": ("cli.bench.polarity:by_cell", "Explain the plain way: a cell and a look."),
        },
        "Say which terminal of a driver is plus.",
    ),
    "part": ("cli.part.command:part", "Measure an inductor, a capacitor or a resistor."),
    "fit": ("cli.driver.fit:fit", "Fit a driver's parameters, with what limits each of them."),
    "show": ("cli.driver.look_again:look_again", "Look at a take or a saved fit again."),
    "compare": ("cli.driver.compare:compare", "Say what changed, or how two drivers differ."),
    "levels": ("cli.driver.levels:levels", "Follow one driver down to the small signal."),
    "export": ("cli.driver.export:export", "Write a take or a fit in open formats."),
    "box": ("cli.box.command:box", "Design a box for a driver, and predict its bass."),
    "box-check": ("cli.box.check:box_check", "See what a finished box has become."),
    "filter": ("cli.filter.command:filter_", "Compute a crossover into measured drivers."),
    "series": (
        {
            "limits": ("cli.series.limits:limits", "Derive limits from several good units."),
            "judge": (
                "cli.series.judge:judge",
                "Judge one unit: inside, outside or undecided, and why.",
            ),
            "summary": (
                "cli.series.summary:summary",
                "Tell the spread of a series, and what drifts.",
            ),
            "pairs": ("cli.series.pairs:pairs", "Make the best pairs of a stack of units."),
        },
        "Check the units of a small series: limits, one unit, pairs.",
    ),
    "refit": ("cli.refit.command:refit", "Fit every take and table of an archive again."),
}

# In the order of the job: the first command of each group, its title, and one line to type.
GROUPS: Groups = {
    "guide": ("Start here", "freeair guide"),
    "wind": ("Plan a driver", "freeair targets new lantern-targets.toml"),
    "rig": ("Describe the bench", "freeair rig new bench.toml --series-resistor 10ohm"),
    "take": ("Measure", "freeair take lantern --rig bench.toml"),
    "fit": ("Judge", "freeair fit takes/lantern_* --diameter 118mm"),
    "box": ("Build with it", "freeair box lantern.json --vented --bore 50mm"),
    "series": ("Judge many", "freeair refit archive --diameter 118mm"),
}


def _print_version(wanted: bool) -> None:
    if wanted:
        from cli.terminal.version import program_version

        show.line(f"freeair {program_version()}")
        raise typer.Exit


@app.callback(cls=lazy_group(COMMANDS, GROUPS))
def _freeair(
    _version: Annotated[
        bool,
        typer.Option("--version", callback=_print_version, is_eager=True, help="Show the version."),
    ] = False,
) -> None:
    """Measure, judge and compare loudspeaker drivers built at home.

    Every command has --help, with an example at its end. Without hardware: freeair demo.
    """


def main() -> int:
    """Run the command that the program was called with."""
    streams.prepare()
    sys.path[:] = trusted(sys.path)
    one_thread_from_the_start()
    if not sys.warnoptions:
        # Warnings of libraries are for developers (python -W error shows them), not for the bench.
        warnings.simplefilter("ignore")
    status = run(sys.argv[1:] or _led())
    if why := streams.trouble():
        show.fault("Not possible: standard output", f"cannot be written ({why})")
        return status or 2
    return status


def _led() -> list[str]:
    """The guide for somebody who called the program alone, if it can ask."""
    from cli.guide.command import at_terminal

    return ["guide"] if at_terminal() else []


if __name__ == "__main__":
    sys.exit(main())
