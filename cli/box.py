"""``freeair box``: an enclosure for a measured driver, and what it will do in it."""

from __future__ import annotations

import json
import math
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from cli import show
from cli.options import AsJson
from meas.errors import UsageError

if TYPE_CHECKING:
    from fit.box_predict import Air, Box, Prediction
    from fit.saved_driver import SavedDriver
    from meas.errors import Finding

FORMAT = "freeair-box/1"
_DRIVE = "2.83V"
_QL = "7"
_FLAT = math.sqrt(0.5)
_LISTED_HZ = (20, 25, 31.5, 40, 50, 63, 80, 100, 125, 160, 200, 315, 500)

AirTemperature = Annotated[
    str | None, typer.Option(metavar="T", help="Such as 21C. Default 20C±8K.")
]
AirPressure = Annotated[str | None, typer.Option(metavar="P", help="At the bench, such as 985hPa.")]
RelativeHumidity = Annotated[
    str | None, typer.Option(metavar="PCT", help="Such as 45%. Default 50%±30%.")
]


@dataclass(frozen=True)
class Wish:
    """What was asked of the box, as written; None where nothing was."""

    vented: bool
    volume: str | None
    qtc: str | None
    space: str | None
    fb: str | None
    bore: str | None
    tube_length: str | None
    tubes: int
    ql: str | None


@dataclass(frozen=True)
class Vent:
    """Round tubes.

    Attributes:
        bore: Inner diameter [m].
        length: To cut [m].
        spread: How far the end correction leaves the length open, either way [m].
        tubes: Number of equal ones.
    """

    bore: float
    length: float
    spread: float
    tubes: int

    @property
    def area(self) -> float:
        """Of all tubes [m2]."""
        return self.tubes * math.pi / 4 * self.bore**2


@dataclass(frozen=True)
class Design:
    """A box as decided.

    Attributes:
        box: For the prediction.
        vent: Its tubes, where chosen.
        why: How it came about, in words.
        notes: What to say beside it.
    """

    box: Box
    vent: Vent | None
    why: str
    notes: tuple[str, ...] = ()


def box(
    fit: Annotated[
        Path, typer.Argument(metavar="FIT.json", help="A fit that knows Vas, saved as JSON.")
    ],
    vented: Annotated[
        bool, typer.Option("--vented", help="With a vent; without this word the box is closed.")
    ] = False,
    volume: Annotated[
        str | None, typer.Option(metavar="V", help="Net volume of the box, such as 22L.")
    ] = None,
    qtc: Annotated[
        str | None, typer.Option(metavar="Q", help="Closed: wished total Q. Default 0.707.")
    ] = None,
    space: Annotated[
        str | None, typer.Option(metavar="V", help="Closed: the flattest box in at most V net.")
    ] = None,
    fb: Annotated[
        str | None, typer.Option(metavar="F", help="Vented: tuning, with --volume.")
    ] = None,
    bore: Annotated[
        str | None, typer.Option(metavar="D", help="Vented: inner diameter of the tube.")
    ] = None,
    tube_length: Annotated[
        str | None, typer.Option(metavar="L", help="Vented: length of a tube that is there.")
    ] = None,
    tubes: Annotated[int, typer.Option(metavar="N", help="Vented: number of equal tubes.")] = 1,
    ql: Annotated[
        str | None,
        typer.Option(metavar="Q", help="Vented: leakage Q. Default 7, usual for a tight box."),
    ] = None,
    drive: Annotated[
        str, typer.Option(metavar="V|W", help="Sine at the source: volts, or watts into Re.")
    ] = _DRIVE,
    source_resistance: Annotated[
        str | None, typer.Option(metavar="R", help="Of amplifier and leads, such as 0.2ohm.")
    ] = None,
    xmax: Annotated[
        str | None, typer.Option(metavar="X", help="Peak excursion the driver takes, such as 4mm.")
    ] = None,
    air_temperature: AirTemperature = None,
    air_pressure: AirPressure = None,
    relative_humidity: RelativeHumidity = None,
    picture: Annotated[
        Path | None, typer.Option(metavar="FILE.png|svg", help="Draw what to expect.")
    ] = None,
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
    from cli import plots, states, values
    from fit import saved_driver
    from meas.whole_file import refuse_existing, write_text

    if picture is not None:
        plots.check_picture(picture)
    for path in (picture, save):
        if path is not None:
            refuse_existing(path)
    unit, fitted = states.read_fit(fit)
    wish = Wish(vented, volume, qtc, space, fb, bore, tube_length, tubes, ql)
    _check_words(wish)
    driver = saved_driver.of_fit(fitted)
    air = _air(air_temperature, air_pressure, relative_humidity)
    ohm = 0.0
    if source_resistance is not None:
        ohm = values.resistance(source_resistance, "--source-resistance").value
    limit = None if xmax is None else values.length(xmax, "--xmax").value
    if limit is None:
        show.note("no --xmax given: how far the cone may travel is not judged", "dim")
    volt = _drive_volt(drive, math.exp(driver.theta[0]))
    design = _design(wish, driver, air, ohm)
    from fit.box_predict import cautions, predict

    found = predict(driver, design.box, volt, air, source_ohm=ohm)
    length = None if design.vent is None else design.vent.length
    findings = (
        *driver.warnings,
        *cautions(found, design.box, xmax=limit, tube_length=length),
    )
    document = _document(unit, design, found, findings, driver, volt, ohm)
    text = json.dumps(document, ensure_ascii=False, allow_nan=False)
    if save is not None:
        write_text(save, text + "\n")
    if picture is not None:
        _draw(picture, found, driver, f"{unit}: {design.why}, at {volt:.3g} V", limit)
    if as_json:
        show.line(text)
    else:
        _print(unit, design, found, findings, driver, drive, volt)
    for name, path in (("Plan", save), ("Picture", picture)):
        if path is not None:
            (show.note if as_json else show.line)(f"{name}: {path}")


def _check_words(wish: Wish) -> None:
    """Refuse words that contradict each other."""
    closed = {"--qtc": wish.qtc, "--space": wish.space}
    open_ = {"--fb": wish.fb, "--bore": wish.bore, "--tube-length": wish.tube_length,
             "--ql": wish.ql, "--tubes": None if wish.tubes == 1 else "1"}  # fmt: skip
    wrong = [name for name, said in (closed if wish.vented else open_).items() if said is not None]
    if wrong:
        kind = "closed" if wish.vented else "vented"
        raise UsageError(
            f"{wrong[0]} belongs to a {kind} box",
            where=wrong[0],
            remedy="Leave out --vented." if wish.vented else "Add --vented.",
        )
    asked = [n for n, said in (("--volume", wish.volume), *closed.items()) if said is not None]
    if not wish.vented and len(asked) > 1:
        raise UsageError(
            f"{' and '.join(asked)} decide the same thing",
            where=asked[0],
            remedy="Give one of them.",
        )
    if wish.tubes < 1:
        raise UsageError("a vent has at least one tube", where="--tubes", remedy="Give 1 or more.")
    if not wish.vented:
        return
    if wish.tube_length is not None and wish.bore is None:
        raise UsageError(
            "the tube has no bore", where="--tube-length", remedy="Add --bore, such as 50mm."
        )
    if wish.tube_length is not None and wish.fb is not None:
        raise UsageError(
            "the tube decides the tuning already",
            where="--fb",
            remedy="Leave out --fb, or leave out --tube-length to have the tube computed.",
        )
    decides = wish.fb is not None or wish.tube_length is not None
    if decides and wish.volume is None:
        raise UsageError(
            "a tuning alone is no box",
            where="--volume",
            remedy="Add the net volume, such as --volume 24L; or leave out --fb and "
            "--tube-length for the flattest box.",
        )
    if wish.volume is not None and not decides:
        raise UsageError(
            "a vented box of given volume needs a tuning",
            where="--volume",
            remedy="Add --fb 40Hz, or --bore 50mm with --tube-length 110mm; or leave out --volume "
            "for the flattest box.",
        )


def _air(temperature: str | None, pressure: str | None, humidity: str | None) -> Air:
    from cli import session as sessions
    from fit import air
    from fit.box_predict import Air

    words = sessions.SessionWords(
        air_temperature=temperature, air_pressure=pressure, relative_humidity=humidity
    )
    measured = sessions.session(words, boxes=True)
    state = (
        measured.pressure.value,
        measured.temperature.value,
        measured.relative_humidity.value,
    )
    return Air(air.density(*state), air.sound_speed(*state))


def _drive_volt(text: str, Re: float) -> float:
    """Volts as said, or those that make the watts said in Re [V rms]."""
    from cli import units, values

    if text.strip().lower().endswith("w"):
        return math.sqrt(values.read(units.POWER, text, "--drive").value * Re)
    return values.voltage(text, "--drive").value


def _quality(text: str, where: str) -> float:
    from cli import units, values

    return values.read(units.NUMBER, text, where).value


def _design(wish: Wish, driver: SavedDriver, air: Air, ohm: float) -> Design:
    return _vented(wish, driver, air, ohm) if wish.vented else _closed(wish, driver, ohm)


def _closed(wish: Wish, driver: SavedDriver, ohm: float) -> Design:
    from cli import values
    from fit.box_predict import Box, total_Q
    from fit.sealed import sealed_by_Qtc

    fs, Vas = math.exp(driver.theta[1]), math.exp(driver.theta[4])
    QT = total_Q(driver.theta, ohm)
    if wish.volume is not None:
        volume = values.volume(wish.volume, "--volume").value
        return Design(Box(volume), None, f"closed box of {volume * 1e3:.3g} L")
    if wish.space is not None:
        space = values.volume(wish.space, "--space").value
        flat = None if QT >= _FLAT else sealed_by_Qtc(fs, QT, Vas, _FLAT).volume
        if flat is not None and flat <= space:
            note = f"the flattest needs {flat * 1e3:.3g} L of the {space * 1e3:.3g} L there are"
            return Design(Box(flat), None, "flattest closed box", (note,))
        note = (
            f"Qts is {QT:.2f} in free air already: any closed box peaks, the largest least"
            if flat is None
            else f"the flattest would need {flat * 1e3:.3g} L; all of the space is used"
        )
        return Design(Box(space), None, f"closed box filling {space * 1e3:.3g} L", (note,))
    if wish.qtc is None:
        show.default_taken(f"no volume, Qtc or space given: Qtc {_FLAT:.3f}, maximally flat")
    wished = _FLAT if wish.qtc is None else _quality(wish.qtc, "--qtc")
    found = sealed_by_Qtc(fs, QT, Vas, wished)
    return Design(Box(found.volume), None, f"closed box for Qtc {wished:.3g}")


def _vented(wish: Wish, driver: SavedDriver, air: Air, ohm: float) -> Design:
    from cli import values
    from fit.box_predict import Box, total_Q
    from fit.vent import tuning
    from fit.vented import vented_flattest

    fs, Vas = math.exp(driver.theta[1]), math.exp(driver.theta[4])
    if wish.ql is None:
        show.default_taken(f"leakage Q of the box: {_QL}, usual for a tight one")
    QL = _quality(wish.ql or _QL, "--ql")
    bore = None if wish.bore is None else values.length(wish.bore, "--bore").value
    if wish.volume is None:
        flat = vented_flattest(fs, total_Q(driver.theta, ohm), Vas, QL)
        family = "flattest" if flat.family == "flat" else "flattest there is, with a ripple"
        volume, fb, why = flat.volume, flat.fb, f"vented box, {family}"
    else:
        volume = values.volume(wish.volume, "--volume").value
        if wish.tube_length is None:
            fb = values.frequency(wish.fb or "", "--fb").value
        else:
            length = values.length(wish.tube_length, "--tube-length").value
            fb = tuning(length, volume, bore or 0.0, air.sound_speed, wish.tubes)
            vent = Vent(bore or 0.0, length, 0.0, wish.tubes)
            why = f"vented box of {volume * 1e3:.3g} L with the tube there is"
            return Design(Box(volume, fb, QL, vent.area), vent, why)
        why = f"vented box of {volume * 1e3:.3g} L"
    if bore is None:
        return Design(Box(volume, fb, QL), None, why)
    vent = _tube(fb, volume, bore, air, wish.tubes)
    return Design(Box(volume, fb, QL, vent.area), vent, why)


def _tube(fb: float, volume: float, bore: float, air: Air, tubes: int) -> Vent:
    """The tube for a tuning; its ends may be freer or more flanged than assumed."""
    from fit.vent import FLANGED_END, FREE_END, tube_length

    length = tube_length(fb, volume, bore, air.sound_speed, tubes)
    return Vent(bore, length, (FLANGED_END - FREE_END) * bore / 2, tubes)


def _document(
    unit: str,
    design: Design,
    found: Prediction,
    findings: tuple[Finding, ...],
    driver: SavedDriver,
    volt: float,
    ohm: float,
) -> dict[str, Any]:
    """Plan and prediction in SI units."""
    plan: dict[str, Any] = {"kind": "closed", "volume_m3": design.box.volume}
    if design.box.fb is not None:
        plan |= {"kind": "vented", "fb_hz": design.box.fb, "QL": design.box.QL}
    if design.vent is not None:
        plan["vent"] = {
            "bore_m": design.vent.bore,
            "length_m": design.vent.length,
            "length_limits_m": design.vent.spread,
            "tubes": design.vent.tubes,
        }
    curves: dict[str, Any] = {"frequency_hz": found.frequency_hz.tolist()}
    for name in ("level_db", "excursion_m", "vent_speed_m_s", "group_delay_s", "magnitude_ohm"):
        band = getattr(found, name)
        if band is not None:
            curves[name] = band.value.tolist()
            curves[f"{name}_standard_uncertainty"] = band.standard_uncertainty.tolist()
    curves["impedance_ohm"] = {
        "real": found.impedance_ohm.real.tolist(),
        "imag": found.impedance_ohm.imag.tolist(),
    }
    return {
        "format": FORMAT,
        "unit": unit,
        "plan": plan,
        "drive_v": volt,
        "source_ohm": ohm,
        "parameters": {
            name: {
                "value": e.value,
                "unit": e.unit,
                "standard_uncertainty": e.standard_uncertainty,
                "interval_95": list(e.interval_95),
            }
            for name, e in found.parameters.items()
        },
        "coverage_factor": 1.96 * driver.widening,
        "curves": curves,
        "findings": [{"code": f.code, "text": f.text} for f in findings],
    }


def _draw(
    path: Path, found: Prediction, driver: SavedDriver, title: str, xmax: float | None
) -> None:
    from cli import plots, plots_box
    from fit.box_predict import CHUFFS

    figure = plots_box.prediction_figure(
        found, title, widening=driver.widening, xmax=xmax, limit_m_s=CHUFFS
    )
    plots.save_picture(figure, path)


def _print(
    unit: str,
    design: Design,
    found: Prediction,
    findings: tuple[Finding, ...],
    driver: SavedDriver,
    drive: str,
    volt: float,
) -> None:
    from cli.facts import facts

    show.heading(f"{unit}: {design.why}")
    show.say(facts(_rows(design, found)))
    for note in design.notes:
        show.say(note)
    said = f"{volt:.3g} V" if drive.strip().lower().endswith("v") else f"{drive}, {volt:.3g} V"
    show.heading(f"At {said} (sine; ± is 95 % by the measured parameters)")
    show.say(_table(found, 1.96 * driver.widening))
    if findings:
        show.heading("Mind")
        show.findings(findings)


def _rows(design: Design, found: Prediction) -> list[tuple[str, str, str, str]]:
    from cli.facts import measured

    of = found.parameters
    plan = design.box
    rows = [("volume", f"{plan.volume * 1e3:.3g}", "L", "net of driver, vent and braces")]
    if plan.fb is None:
        rows.append(measured("fc", of["fc"], "Hz", 1.0, "resonance in the box"))
        rows.append(measured("Qtc", of["Qtc"], "", 1.0, "total Q in the box"))
    else:
        rows.append(("fb", f"{plan.fb:.3g}", "Hz", f"tuning of the vent; QL {plan.QL:.3g}"))
    rows.append(measured("f3", of["f3"], "Hz", 1.0, "3 dB down"))
    if of["peak_db"].value > 0.05:
        rows.append(measured("peak", of["peak_db"], "dB", 1.0, "above the plateau"))
    if design.vent is not None:
        vent = design.vent
        many = "" if vent.tubes == 1 else f"{vent.tubes} of them, "
        bore = f"bore {vent.bore * 1e3:.3g} mm"
        if vent.spread:
            bore += (
                f"; ± {vent.spread * 1e3:.0f} mm by how its ends stand: cut longer, check with "
                "box-check, trim"
            )
        rows.append(("tube", f"{vent.length * 1e3:.0f}", "mm", f"{many}{bore}"))
    elif found.vent_flow_m3_s is not None:
        from fit.box_predict import CHUFFS

        least = math.sqrt(4 / math.pi * float(found.vent_flow_m3_s.max()) / CHUFFS)
        rows.append(("bore", f"{least * 1e3:.0f}", "mm", f"at least, for {CHUFFS:.0f} m/s of air "
                     "at this drive; --bore D gives its length"))  # fmt: skip
    return rows


def _table(found: Prediction, reach: float) -> Any:
    import numpy as np

    from cli.facts import grid

    columns = [("dB at 1 m", found.level_db, 1.0, 1)]
    if found.excursion_m is not None:
        columns.append(("cone mm", found.excursion_m, 1e-3, 2))
    if found.vent_speed_m_s is not None:
        columns.append(("vent m/s", found.vent_speed_m_s, 1.0, 1))
    columns += [
        ("delay ms", found.group_delay_s, 1e-3, 1),
        ("|Z| ohm", found.magnitude_ohm, 1.0, 1),
    ]
    rows = []
    for hz in _LISTED_HZ:
        at = int(np.argmin(np.abs(np.log(found.frequency_hz / hz))))
        cells = [f"{hz:g}"]
        for _, band, scale, decimals in columns:
            half = reach * band.standard_uncertainty[at] / scale
            cells.append(f"{band.value[at] / scale:.{decimals}f} ± {half:.{decimals}f}")
        rows.append(cells)
    return grid(["Hz", *(title for title, _, _, _ in columns)], rows)
