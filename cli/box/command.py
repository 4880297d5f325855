"""``freeair box``: an enclosure for a measured driver, and what it will do in it."""

from __future__ import annotations

import math
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from cli.terminal import show
from cli.words import units
from cli.words.options import (
    AirPressure,
    AirTemperature,
    AsJson,
    RelativeHumidity,
    Report,
    flag,
    option,
    valued,
)
from cli.words.values import Value, number
from meas.errors import UsageError

if TYPE_CHECKING:
    from cli.box.design import Design
    from fit.box.boards import Boards
    from fit.results.result import DriverFit

_DRIVE = "2.83V"


def box(
    fit: Annotated[
        Path, typer.Argument(metavar="FIT.json", help="A fit that knows Vas, saved as JSON.")
    ],
    vented: bool = flag("--vented", "With a vent; without this word the box is closed."),
    volume: Value | None = valued(
        units.VOLUME, "--volume", "V", "Net volume of the box, such as 22L."
    ),
    qtc: Value | None = valued(
        units.NUMBER, "--qtc", "Q", "Closed: wished total Q. Default 0.707."
    ),
    space: Value | None = valued(
        units.VOLUME, "--space", "V", "Closed: the flattest box in at most V net."
    ),
    fb: Value | None = valued(units.FREQUENCY, "--fb", "F", "Vented: tuning, with --volume."),
    bore: Value | None = valued(units.LENGTH, "--bore", "D", "Vented: inner diameter of the tube."),
    tube_length: Value | None = valued(
        units.LENGTH, "--tube-length", "L", "Vented: length of a tube that is there."
    ),
    tubes: int = option("N", "Vented: number of equal tubes.", default=1),
    ql: Value | None = valued(
        units.NUMBER, "--ql", "Q", "Vented: leakage Q. Default 7, usual for a tight box."
    ),
    drive: str = option("V|W", "Sine at the source: volts, or watts into --rated.", default=_DRIVE),
    rated: str | None = option("R", "Load that the watts are meant for. Default 8ohm."),
    source_resistance: Value | None = valued(
        units.RESISTANCE,
        "--source-resistance",
        "R",
        "Resistance of amplifier and leads, such as 0.2ohm.",
    ),
    xmax: Value | None = valued(
        units.LENGTH, "--xmax", "X", "Peak excursion the driver takes, such as 4mm."
    ),
    board: Value | None = valued(
        units.LENGTH, "--board", "T", "Thickness of the board, for a cutting list."
    ),
    driver_volume: Value | None = valued(
        units.VOLUME, "--driver-volume", "V", "What the driver takes inside, such as 0.5L."
    ),
    air_temperature: AirTemperature = None,
    air_pressure: AirPressure = None,
    relative_humidity: RelativeHumidity = None,
    picture: Path | None = option("FILE.png|svg", "Draw what to expect."),
    report: Report = None,
    save: Path | None = option("PLAN.json", "Keep the plan, for freeair box-check."),
    as_json: AsJson = False,
) -> None:
    """Design a box for a driver from its fit, and say what it will do.

    Closed: by --volume, by --qtc, or in a --space. Vented: the flattest, or by --volume with --fb
    or with a tube that is there. --bore gives the length of tube to cut.

    \b
    freeair box lantern.json --qtc 0.8 --drive 10W --xmax 4mm
    freeair box lantern.json --vented --bore 50mm --picture lantern-box.png
    freeair box lantern.json --vented --volume 24L --bore 50mm --tube-length 110mm
    """
    from cli.box import design as box_design
    from cli.box import printing
    from cli.pictures import plots
    from cli.report import forms
    from cli.sources import opened
    from cli.words import amplifier, session
    from fit.box import saved_driver
    from fit.box.predict import cautions, predict
    from meas.files.json_file import write_json

    forms.check(report, picture, save)
    unit, fitted = opened.fit(fit)
    options = box_design.BoxOptions(vented, volume, qtc, space, fb, bore, tube_length, tubes, ql)
    box_design.check_words(options)
    air = session.air(air_temperature, air_pressure, relative_humidity)
    driver = saved_driver.of_fit(fitted, air.modulus)
    ohm = 0.0 if source_resistance is None else source_resistance.value
    limit = number(xmax)
    if limit is None:
        show.note("no --xmax given: how far the cone may travel is not judged", "dim")
    driven = amplifier.read(drive, rated)
    design = box_design.design(options, driver, air, ohm)
    found = predict(driver, design.box, driven.volt_rms, air, source_ohm=ohm)
    length = None if design.vent is None else design.vent.length
    findings = (*driver.warnings, *cautions(found, design.box, xmax=limit, tube_length=length))
    document = printing.document(unit, design, found, findings, driver, driven.volt_rms, ohm)
    if save is not None:
        write_json(save, document)
    title = f"{unit}: {design.why}"
    if picture is not None:
        figure = printing.picture(found, driver, f"{title}, at {driven.words}", limit)
        plots.save_picture(figure, picture)
    sections = printing.sections(design, found, findings, driver, driven.words, limit, air)
    if board is not None:
        cutting = _boards(design, fitted, board, driver_volume)
        document["boards"] = asdict(cutting)
        sections = (*sections, printing.cutting_list(cutting))
    forms.give(
        title, printing.lead(design, found), sections, lambda: document,
        as_json=as_json, report=report, units=(unit,), files={"Plan": save, "Picture": picture},
    )  # fmt: skip


def _boards(design: Design, fitted: DriverFit, board: Value, driver_volume: Value | None) -> Boards:
    """The cutting list; what driver and vent take is said where it is assumed."""
    from fit.box import boards

    if driver_volume is not None:
        taken = driver_volume.value
    elif "Sd" not in fitted.parameters:
        raise UsageError(
            "the fit does not know the cone's size, from which the driver's volume is guessed",
            where="--board",
            remedy="Add --driver-volume, such as 0.5L.",
        )
    else:
        taken = boards.driver_volume(2 * math.sqrt(fitted.parameters["Sd"].value / math.pi))
        show.default_taken(
            f"the driver takes {taken * 1e3:.2g} L, by its cone (common practice, no source); "
            "--driver-volume tells it better"
        )
    vent = 0.0
    if design.vent is not None:
        show.default_taken("wall of the tube: 3 mm")
        tube = design.vent
        vent = boards.vent_volume(tube.bore, tube.length, 3e-3, tube.tubes)
    return boards.cut(design.box.volume, board.value, taken, vent)
