"""``freeair demo``: the whole job on the simulated bench, told as a small story.

Every step runs the very command that it prints. Only what would happen at a real bench between
the commands (parts, a night of break-in) is done to the simulated driver by hand.
"""

from __future__ import annotations

import contextlib
import shlex
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import typer

from cli.terminal import boundary, show
from cli.words.options import option
from meas.errors import UsageError

RIG = Path("bench.toml")
TARGETS = Path("lantern-targets.toml")
UNIT = "Lantern woofer"

PLAN = {
    "Re": "5.8ohm ± 5%",
    "fs": "48Hz ± 8%",
    "Qts": "0.42 ± 0.08",
    "Mms": "13.2g ± 1g",
    "Cms": "0.83mm/N ± 20%",
    "Bl": "7.1Tm ± 8%",
    "sensitivity_2v83": "88.8dB ± 0.3dB",
}

# The bench tells half-truths, as benches do: a resistor within its tolerance, inputs that differ.
BENCH = {
    "series_resistor_ohm": 10.04,
    "driver_input_gain": 1.021,
    "driver_input_delay_s": 6e-6,
    "input_resistance_ohm": 45e3,
    "noise_volt_rms": 60e-6,
    "hum_volt": 0.2e-3,
}
# As built: the spider came out too stiff, all else as planned.
NEW = {"Re_ohm": 5.85, "fs_hz": 57.0, "Qms": 4.6, "Qes": 0.545, "Mms_kg": 0.0131}
# After a night: compliance up by 18 %, fs down by its root.
BROKEN_IN = {**NEW, "fs_hz": 52.47, "Qms": 4.25, "Qes": 0.5017}


@dataclass
class _Bench:
    """The simulated bench between commands: time passes, parts settle."""

    seed: int = 0

    def becomes(self, **driver: float) -> None:
        from meas.bench import rig_file
        from meas.bench.simulated_settings import SimulatedSettings

        rig = rig_file.read(RIG)
        self.seed += 1
        true = (rig.simulated or SimulatedSettings()).model_copy(
            update={**driver, "seed": self.seed}
        )
        rig_file.update(RIG, rig.model_copy(update={"simulated": true}))


def demo(
    out: Path = option(
        "DIR",
        "Folder for everything; a number is added where it exists.",
        default=Path("freeair-demo"),
    ),
) -> None:
    """See the whole job without any hardware.

    Plan, bench, takes, fit, judgement and break-in of an invented woofer, each step as the
    command that does it. Ends with the path of a report to open.

    \b
    freeair demo
    """
    folder = _fresh(out)
    with contextlib.chdir(folder):
        _tell()
    show.line("")
    show.say(
        "The break-in has a page of its own: " + str(folder / "lantern-break-in.html"),
        "The report to open:",
    )
    show.line(str(folder / "lantern.html"))


def _fresh(wanted: Path) -> Path:
    """A new folder, numbered when the name is taken."""
    from meas.files.writing import unwritable

    for count in range(1, 1000):
        folder = wanted if count == 1 else wanted.with_name(f"{wanted.name}-{count}")
        try:
            folder.mkdir(parents=True)
        except FileExistsError:
            continue
        except OSError as error:
            raise unwritable(folder, error) from error
        return folder
    raise UsageError(
        "every numbered name is taken", where=str(wanted), remedy="Choose another one with --out."
    )


def _tell() -> None:
    from cli.sources import targets_file

    bench = _Bench()
    _say(
        "THE LANTERN WOOFER",
        "A frame from a scrapped radio, a salvaged magnet, 108 turns wound on a paper former, a "
        "cone dipped and glued at the kitchen table. Is it what it was meant to be? Everything "
        "below runs on a simulated bench; at a real one the commands are the same.",
    )

    _step("Plan", "What it is meant to become goes into a file, with limits.")
    _echo(f"freeair targets new {TARGETS}")
    targets_file.write_new(TARGETS, PLAN)
    show.say("Filled in:", *(f"  {symbol:<17} {aim}" for symbol, aim in PLAN.items()))

    _step(
        "Bench",
        "Headphone output, 10 Ω from the drawer, two line inputs. The picture shows the wiring, "
        "the cautions stand beside it.",
    )
    _run(
        f"freeair rig new {RIG} --series-resistor 10ohm --tolerance 1% "
        "--input-resistance 47kohm±10% --device simulated --woofer"
    )
    bench.becomes(**BENCH, **NEW)

    _step("Level", "Loud enough for little noise, far enough below clipping.")
    _run(f"freeair rig level {RIG} --set")

    _step(
        "Calibrate and check",
        "The two inputs of a card never agree: measure the difference, then prove the bench on a "
        "resistor that is known.",
    )
    _run(f"freeair rig calibrate {RIG} --standard same-node --yes")
    bench.becomes()
    _run(f"freeair rig check {RIG} --resistor 8.2ohm±1%")

    _step(
        "Sweep",
        "Twice in free air (that shows how well it repeats), once with 7.5 g of putty on the "
        "cone, once on a box of 6.8 litres.",
    )
    _takes(bench, NEW, "new", conditions=("", "", "--added-mass 7.5g±0.1g", "--test-box 6.8L±0.1L"))

    _step("Fit and judge", "All takes together, with the ruler, the multimeter and the barometer.")
    beside = (
        "--measured-re 5.9ohm --diameter 118mm±1mm --air-temperature 21C --air-pressure 1002hPa"
    )
    _run(
        f"freeair fit takes/new/* {beside} --targets {TARGETS} --save lantern-new.json "
        "--report lantern.html"
    )

    _step("Break in", "A night of quiet bass later: the same takes again, then what changed.")
    _takes(bench, BROKEN_IN, "after-12-h", conditions=("", "", "--added-mass 7.5g±0.1g"))
    _run(f"freeair fit takes/after-12-h/* {beside} --save lantern-12-h.json")
    _run("freeair compare lantern-new.json lantern-12-h.json --report lantern-break-in.html")


def _takes(
    bench: _Bench, driver: dict[str, float], label: str, conditions: tuple[str, ...]
) -> None:
    """Takes between which the driver is clamped anew, so that no two are quite alike."""
    for index, condition in enumerate(conditions):
        wander = 1 + 0.002 * (-1) ** index
        changed: dict[str, Any] = {
            **driver,
            "fs_hz": driver["fs_hz"] * wander,
            "Qes": driver["Qes"] * wander,
        }
        bench.becomes(**changed)
        words = f"freeair take {shlex.quote(UNIT)} --rig {RIG} --out takes/{label} --label {label}"
        _run(f"{words} {condition}".strip())


def _run(command: str) -> None:
    """Print a command and run it, in this process and without a shell."""
    _echo(command)
    words: list[str] = []
    for word in shlex.split(command)[1:]:
        words += sorted(map(str, Path().glob(word))) if "*" in word else [word]
    if status := boundary.command(words):
        show.note(f"The story ends here: the command above ended with status {status}.", "bold red")
        raise typer.Exit(status)


def _say(title: str, text: str) -> None:
    show.say("", title, text)


def _step(title: str, text: str) -> None:
    console = show.console()
    console.print()
    console.rule(title, align="left", style="dim")
    console.print(text)


def _echo(command: str) -> None:
    console = show.console()
    console.print()
    console.print(f"$ {command}", style="bold cyan", soft_wrap=True)
