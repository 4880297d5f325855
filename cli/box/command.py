"""``freeair box``: an enclosure for a measured driver, and what it will do in it."""

from __future__ import annotations

import json
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
    valued,
)
from cli.words.values import Value
from meas.errors import UsageError

if TYPE_CHECKING:
    from cli.box.design import Design
    from fit.box.boards import Boards
    from fit.box.predict import Air, Prediction
    from fit.box.saved_driver import SavedDriver
    from fit.results.result import DriverFit

_DRIVE = "2.83V"


def box(
    fit: Annotated[
        Path, typer.Argument(metavar="FIT.json", help="A fit that knows Vas, saved as JSON.")
    ],
    vented: Annotated[
        bool, typer.Option("--vented", help="With a vent; without this word the box is closed.")
    ] = False,
    volume: Annotated[
        Value | None, valued(units.VOLUME, "--volume", "V", "Net volume of the box, such as 22L.")
    ] = None,
    qtc: Annotated[
        Value | None, valued(units.NUMBER, "--qtc", "Q", "Closed: wished total Q. Default 0.707.")
    ] = None,
    space: Annotated[
        Value | None,
        valued(units.VOLUME, "--space", "V", "Closed: the flattest box in at most V net."),
    ] = None,
    fb: Annotated[
        Value | None, valued(units.FREQUENCY, "--fb", "F", "Vented: tuning, with --volume.")
    ] = None,
    bore: Annotated[
        Value | None, valued(units.LENGTH, "--bore", "D", "Vented: inner diameter of the tube.")
    ] = None,
    tube_length: Annotated[
        Value | None,
        valued(units.LENGTH, "--tube-length", "L", "Vented: length of a tube that is there."),
    ] = None,
    tubes: Annotated[int, typer.Option(metavar="N", help="Vented: number of equal tubes.")] = 1,
    ql: Annotated[
        Value | None,
        valued(units.NUMBER, "--ql", "Q", "Vented: leakage Q. Default 7, usual for a tight box."),
    ] = None,
    drive: Annotated[
        str, typer.Option(metavar="V|W", help="Sine at the source: volts, or watts into --rated.")
    ] = _DRIVE,
    rated: Annotated[
        str | None, typer.Option(metavar="R", help="That watts are meant into. Default 8ohm.")
    ] = None,
    source_resistance: Annotated[
        Value | None,
        valued(
            units.RESISTANCE, "--source-resistance", "R", "Of amplifier and leads, such as 0.2ohm."
        ),
    ] = None,
    xmax: Annotated[
        Value | None,
        valued(units.LENGTH, "--xmax", "X", "Peak excursion the driver takes, such as 4mm."),
    ] = None,
    board: Annotated[
        Value | None,
        valued(units.LENGTH, "--board", "T", "Thickness of the board, for a cutting list."),
    ] = None,
    driver_volume: Annotated[
        Value | None,
        valued(units.VOLUME, "--driver-volume", "V", "What the driver takes inside, such as 0.5L."),
    ] = None,
    air_temperature: AirTemperature = None,
    air_pressure: AirPressure = None,
    relative_humidity: RelativeHumidity = None,
    picture: Annotated[
        Path | None, typer.Option(metavar="FILE.png|svg", help="Draw what to expect.")
    ] = None,
    report: Report = None,
    save: Annotated[
        Path | None,
        typer.Option(metavar="PLAN.json", help="Keep the plan, for freeair box-check."),
    ] = None,
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
    from cli.terminal import sections
    from cli.words import amplifier
    from fit.box import saved_driver
    from meas.files.writing import refuse_existing, write_text

    if picture is not None:
        plots.check_picture(picture)
    forms.check(report)
    for path in (picture, save):
        if path is not None:
            refuse_existing(path)
    unit, fitted = opened.fit(fit)
    wish = box_design.Wish(vented, volume, qtc, space, fb, bore, tube_length, tubes, ql)
    box_design.check_words(wish)
    air = measured_air(air_temperature, air_pressure, relative_humidity)
    driver = saved_driver.of_fit(fitted, air.modulus)
    ohm = 0.0 if source_resistance is None else source_resistance.value
    limit = _travel(xmax)
    driven = amplifier.read(drive, rated)
    volt = driven.volt_rms
    design = box_design.design(wish, driver, air, ohm)
    from fit.box.predict import cautions, predict

    found = predict(driver, design.box, volt, air, source_ohm=ohm)
    length = None if design.vent is None else design.vent.length
    findings = (
        *driver.warnings,
        *cautions(found, design.box, xmax=limit, tube_length=length),
    )
    document = printing.document(unit, design, found, findings, driver, volt, ohm)
    text = json.dumps(document, ensure_ascii=False, allow_nan=False)
    if save is not None:
        write_text(save, text + "\n")
    if picture is not None:
        _draw(picture, found, driver, f"{unit}: {design.why}, at {driven.words}", limit)
    told = printing.sections(design, found, findings, driver, driven.words, limit)
    if board is not None:
        cutting = _boards(design, fitted, board, driver_volume)
        document["boards"] = asdict(cutting)
        text = json.dumps(document, ensure_ascii=False, allow_nan=False)
        told = (*told, printing.cutting_list(cutting))
    lead = printing.lead(design, found)
    forms.write_sections(report, f"{unit}: {design.why}", lead, told, (unit,))
    if as_json:
        show.line(text)
    else:
        show.heading(f"{unit}: {lead[0].lower()}{lead[1:]}")
        sections.say(told)
    for name, path in (("Plan", save), ("Picture", picture), ("Report", report)):
        if path is not None:
            (show.note if as_json else show.line)(f"{name}: {path}")


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


def _travel(xmax: Value | None) -> float | None:
    """Peak excursion that the driver takes [m]; None, said aloud, where nobody stated it."""
    if xmax is not None:
        return xmax.value
    show.note("no --xmax given: how far the cone may travel is not judged", "dim")
    return None


def measured_air(temperature: str | None, pressure: str | None, humidity: str | None) -> Air:
    """Density and sound speed of the air as measured; defaults are said aloud."""
    from cli.words import session

    words = session.SessionWords(
        air_temperature=temperature, air_pressure=pressure, relative_humidity=humidity
    )
    return session.around(session.session(words, boxes=True))


def _draw(
    path: Path, found: Prediction, driver: SavedDriver, title: str, xmax: float | None
) -> None:
    from cli.pictures import plots, plots_box
    from fit.box.predict import CHUFFS

    figure = plots_box.prediction_figure(
        found, title, widening=driver.widening, xmax=xmax, limit_m_s=CHUFFS
    )
    plots.save_picture(figure, path)
