"""``freeair rig new``, ``devices`` and ``wiring``: describe and draw the bench."""

from __future__ import annotations

import re
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from cli.terminal import show
from cli.words.options import AsJson, ResistorSide, flag, one_of, option
from meas.errors import UsageError

if TYPE_CHECKING:
    from meas.bench.rig import Rig


def new(
    file: Annotated[Path, typer.Argument(metavar="FILE", help="Rig file to make (TOML).")],
    series_resistor: Annotated[
        str, typer.Option(metavar="R", help="Resistor in series with the driver, such as 10ohm.")
    ],
    tolerance: str = option("PCT", "Tolerance of the series resistor, such as 1%.", default="1%"),
    resistor_side: ResistorSide = "hot",
    input_resistance: str | None = option(
        "R", "Resistance of the driver input, such as 47kohm; taken out."
    ),
    source_input: int = option("N", "Input on the source node; inputs count from 1.", default=1),
    driver_input: int = option("N", "Input between resistor and driver.", default=2),
    device: str | None = option(
        "NAME", "Sound device (see freeair rig devices); simulated needs no hardware."
    ),
    sample_rate: str = option("HZ", "Sample rate, such as 48000 or 96kHz.", default="48000"),
    amplifier: str = option(
        "none|grounded|bridged", "What drives: the card itself, or an amplifier.", default="none"
    ),
    level: float = option("X", "Peak of the drive, full scale is 1.", default=0.25),
    woofer: bool = flag(
        "--woofer", "Full drive at low frequencies too. Never for tweeters: they die."
    ),
    start: str = option("F", "Lowest frequency of the sweep.", default="10Hz"),
    stop: str = option("F", "Highest frequency.", default="20kHz"),
    sweep_seconds: float = option("S", "Length of one sweep; longer is less noisy.", default=5.0),
    repeats: int = option("N", "Pairs of a sweep up and a sweep down.", default=1),
    mains: int = option("50|60", "Mains frequency, Hz.", default=50),
    simulate: Annotated[
        str | None,
        typer.Option(
            help="Simulate the bench, with this driver on it; needs no hardware.",
            **one_of(("woofer", "tweeter"), "driver of the simulated bench", "--simulate"),
        ),
    ] = None,
) -> None:
    """Describe the bench in a file that you can edit.

    \b
    freeair rig new bench.toml --series-resistor 10ohm --tolerance 1% --woofer
    """
    from cli.pictures import wiring
    from cli.terminal import cautions
    from cli.words import values
    from meas.bench import rig_file
    from meas.bench.rig import SIMULATED
    from meas.bench.simulated_settings import TWEETER
    from meas.files.writing import refuse_existing

    refuse_existing(file)
    if simulate is not None and device not in (None, SIMULATED):
        raise UsageError(
            f"a bench with the device '{device}' is not simulated",
            where="--simulate, --device",
            remedy="Leave one of them out.",
        )
    if simulate is not None:
        device = SIMULATED
    simulated = (TWEETER if simulate == "tweeter" else {}) if device == SIMULATED else None
    resistor = values.resistance(series_resistor, "--series-resistor")
    said_percent = values.percent(tolerance, "--tolerance").value
    if resistor.half_width is not None:
        said_percent = 100 * resistor.half_width / resistor.value
    loading = (
        None
        if input_resistance is None
        else values.resistance(input_resistance, "--input-resistance")
    )
    if source_input == driver_input:
        raise UsageError(
            f"source and driver cannot both be input {source_input}",
            where="--source-input, --driver-input",
            remedy="They are two different inputs of one card; inputs count from 1.",
        )
    wires: dict[str, Any] = {
        "series_resistor_ohm": resistor.value,
        "tolerance_percent": said_percent,
        "resistor_side": resistor_side,
        "source_input": source_input,
        "driver_input": driver_input,
        "amplifier": amplifier,
    }
    if loading is not None:
        wires["input_resistance_ohm"] = loading.value
        if loading.half_width is not None:
            wires["input_resistance_tolerance_percent"] = 100 * loading.half_width / loading.value
    made = _validated(
        {
            "name": rig_file.unique_name(file.stem),
            "mains_hz": mains,
            "wiring": wires,
            "card": {
                "device": device,
                "sample_rate_hz": values.sample_rate(sample_rate, "--sample-rate"),
            },
            "drive": {
                "level": level,
                "woofer": woofer,
                "start_hz": values.frequency(start, "--start").value,
                "stop_hz": values.frequency(stop, "--stop").value,
                "sweep_seconds": sweep_seconds,
                "repeats": repeats,
            },
            "simulated": simulated,
        }
    )
    cautions.acknowledge(cautions.for_rig(made), yes=True, simulated=simulated is not None)
    rig_file.write_new(file, made)
    picture = wiring.describe(made.wiring)
    show.say("", wiring.as_text(picture), "", picture.note, "")
    show.line(str(file))


def _validated(content: dict[str, Any]) -> Rig:
    """The rig, or an error in terms of the options that it came from."""
    from pydantic import ValidationError

    from cli.bench.drive_options import first_fault
    from meas.bench.rig import Rig

    try:
        return Rig.model_validate(content)
    except ValidationError as error:
        wrong = error.errors()[0]
        where = "".join(map(str, wrong["loc"][-1:]))
        if not isinstance(wrong["input"], dict):
            # The options are called as the keys of the file, less what says unit or limits.
            key = re.sub("(_tolerance)?_(ohm|hz|percent)$", "", where)
            where = f"--{key.replace('_', '-')}"
        advice = "'freeair rig new --help' lists what may be given."
        raise first_fault(error, where, advice) from error


def devices(as_json: AsJson = False) -> None:
    """List the sound devices by the names that a rig file takes.

    \b
    freeair rig devices
    """
    from meas.audio import soundcard

    found = soundcard.list_devices()
    if as_json:
        rows = [
            {
                "device": one.identity,
                "inputs": one.inputs,
                "outputs": one.outputs,
                "default_rate_hz": one.default_rate_hz,
                "note": one.note,
            }
            for one in found
        ]
        show.document({"devices": rows})
        return
    from rich import box
    from rich.table import Table

    table = Table(box=box.SIMPLE_HEAD, show_edge=False, pad_edge=False, header_style="bold")
    table.add_column("device", overflow="fold")
    table.add_column("in", justify="right")
    table.add_column("out", justify="right")
    table.add_column("Hz", justify="right")
    table.add_column("")
    for one in found:
        rate = f"{one.default_rate_hz:.0f}"
        table.add_row(one.identity, str(one.inputs), str(one.outputs), rate, one.note)
    show.say(table)
    if not found:
        show.say("No sound device found. A rig with --device simulated needs none.")


def wiring_picture(
    file: Annotated[
        Path | None, typer.Argument(metavar="FILE", help="Rig file; without one, the usual way.")
    ] = None,
    calibration: bool = flag("--calibration", "How the inputs go while calibrating."),
    svg: Path | None = option("FILE.svg", "Write the picture to a file."),
) -> None:
    """Show how the bench is wired, with the cautions beside it.

    \b
    freeair rig wiring bench.toml
    """
    from cli.pictures import wiring
    from cli.terminal import cautions
    from meas.bench import rig_file
    from meas.bench.rig import Rig
    from meas.files.writing import write_text

    described = Rig(name="unnamed") if file is None else rig_file.read(file)
    picture = wiring.describe(described.wiring, same_node=calibration)
    show.say(wiring.as_text(picture), "", picture.note)
    if svg is not None:
        write_text(svg, wiring.as_svg(picture).replace("currentColor", "#1b1f24") + "\n")
        show.line(str(svg))
    cautions.print_cautions(cautions.for_rig(described))
