"""A planned box as JSON and as tables for the terminal."""

from __future__ import annotations

import math
from functools import partial
from typing import Any

import numpy as np

from cli.box.design import Design
from cli.box.plan_file import FORMAT, PlannedBox
from cli.pictures.plots_box import prediction_figure
from cli.terminal.sections import Drawing, Facts, Findings, Rows, Section, measured
from cli.terminal.tables import Column, numbers
from fit.box.boards import Boards
from fit.box.circuit import Air
from fit.box.predict import CHUFFS, Prediction
from fit.box.saved_driver import SavedDriver
from fit.results.result import Z95
from fit.results.saved import value_of
from meas.errors import Finding

_LISTED_HZ = (20, 25, 31.5, 40, 50, 63, 80, 100, 125, 160, 200, 315, 500)


def document(
    unit: str,
    design: Design,
    found: Prediction,
    findings: tuple[Finding, ...],
    driver: SavedDriver,
    volt: float,
    ohm: float,
) -> dict[str, Any]:
    """Plan and prediction in SI units."""
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
        "plan": PlannedBox.of(design).model_dump(exclude_unset=True),
        "drive_v": volt,
        "source_ohm": ohm,
        "parameters": {name: value_of(e) for name, e in found.parameters.items()},
        "coverage_factor": Z95 * driver.widening,
        "curves": curves,
        "findings": [f.as_json() for f in findings],
    }


def sections(
    design: Design,
    found: Prediction,
    findings: tuple[Finding, ...],
    driver: SavedDriver,
    drive: str,
    xmax: float | None,
    air: Air,
) -> tuple[Section, ...]:
    """Box, behaviour at the drive, cautions.

    Args:
        drive: In words.
        xmax: Peak excursion that the driver takes [m].
        air: In and around the box.
    """
    draw = partial(picture, found, driver, f"{design.why}, at {drive}", xmax)
    all_sections = [
        Section("The box", (Facts(_rows(design, found)), *design.notes)),
        Section(
            f"At {drive} (sine; ± is 95 % by the measured parameters)",
            (
                Drawing(
                    "prediction", draw, "Level, excursion, delay and impedance over frequency",
                    f"What to expect at 1 m in half space; {air.words}. Bands: 95 % by the "
                    "measured parameters; the room, the baffle's edges and the cone's breakup are "
                    "left out.",
                ),
                _table(found, Z95 * driver.widening),
            ),
        ),
    ]  # fmt: skip
    if findings:
        all_sections.append(Section("Mind", (Findings(findings),)))
    return tuple(all_sections)


def picture(found: Prediction, driver: SavedDriver, title: str, xmax: float | None) -> Any:
    """The picture of what to expect."""
    return prediction_figure(found, title, widening=driver.widening, xmax=xmax, limit_m_s=CHUFFS)


def lead(design: Design, found: Prediction) -> str:
    """The box in a sentence."""
    f3 = found.parameters["f3"].value
    return f"A {design.why}: {design.box.volume * 1e3:.3g} L net, 3 dB down at {f3:.3g} Hz."


def cutting_list(found: Boards) -> Section:
    """The boards with what they were computed from."""
    mm = [" x ".join(f"{1e3 * side:.0f}" for side in sizes)
          for sizes in (found.inside, found.outside)]  # fmt: skip
    rows = [
        (one.name, str(one.count), f"{1e3 * one.length:.0f}", f"{1e3 * one.width:.0f}")
        for one in found.boards
    ]
    return Section(
        f"Boards of {1e3 * found.thickness:.3g} mm",
        (
            Rows((Column(""), *numbers("pieces", "mm", "by mm")), rows),
            f"Inside {mm[0]} mm, outside {mm[1]} mm (depth x width x height). Front and back cover "
            f"the edges of the others. {1e3 * found.driver_volume:.2g} L are added for the driver "
            f"and {1e3 * found.vent_volume:.2g} L for the vent; add what braces take.",
            "Sides in thirds of an octave keep standing waves apart (common practice, no source).",
            "Wear a mask against the dust of boards, hearing protection and glasses at the saw, "
            "and keep to its instructions.",
        ),
    )


def _rows(design: Design, found: Prediction) -> list[tuple[str, str, str, str]]:
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
        least = math.sqrt(4 / math.pi * float(found.vent_flow_m3_s.max()) / CHUFFS)
        rows.append(("bore", f"{least * 1e3:.0f}", "mm", f"at least, for {CHUFFS:.0f} m/s of air "
                     "at this drive; --bore D gives its length"))  # fmt: skip
    return rows


def _table(found: Prediction, reach: float) -> Rows:
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
            digit = 10.0**-decimals  # rounded up: a half-width of 0.00 would be a promise
            half = digit * math.ceil(reach * band.standard_uncertainty[at] / scale / digit)
            cells.append(f"{band.value[at] / scale:.{decimals}f} ± {half:.{decimals}f}")
        rows.append(cells)
    return Rows(numbers("Hz", *(title for title, _, _, _ in columns)), rows)
