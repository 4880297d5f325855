"""The acoustic sum of a crossover and the travel of its drivers, where their fits allow it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np

from cli.filter import picture
from cli.sources import opened
from cli.terminal.sections import Block, Drawing, Findings, Rows, Section
from cli.terminal.tables import Column, numbers
from cli.words import assumed
from cli.words.amplifier import Drive
from fit.box import saved_driver
from fit.box.circuit import Air
from fit.crossover.acoustic import LEFT_OUT, AcousticSum, acoustic_sum, judged
from fit.crossover.evaluate import NetworkResult
from fit.results.numbers import kilo, significant
from fit.results.result import Z95
from meas.errors import Finding, Refused

_SHOWN_HZ = (100, 200, 500, 1000, 1500, 2000, 3000, 4000, 5000, 7000, 10000)


@dataclass(frozen=True)
class AcousticEstimate:
    """The estimated sum of the drivers at the ear.

    Attributes:
        sum: For 1 V of the amplifier.
        drive: What the amplifier puts out; None: 2.83 V, and no travel is stated.
        findings: Doubts about polarity and levels.
    """

    sum: AcousticSum
    drive: Drive | None
    findings: tuple[Finding, ...]
    air: Air

    @property
    def volt(self) -> float:
        """Voltage at the amplifier, rms [V]."""
        return 2.83 if self.drive is None else self.drive.volt_rms

    @property
    def gain_db(self) -> float:
        """The drive re 1 V [dB]."""
        return float(20 * np.log10(self.volt))

    @property
    def words(self) -> str:
        """The drive in words."""
        return "2.83 V" if self.drive is None else self.drive.words


def estimate(
    result: NetworkResult, files: Mapping[str, str | None], drive: Drive | None
) -> tuple[AcousticEstimate | None, str]:
    """Estimate the sum at the ear, or say why it cannot be.

    Args:
        files: Branch to the file of its driver.
    """
    drivers = {}
    for one in result.solution.branches:
        name = one.branch.name
        path = Path(files[name] or "")
        if not opened.is_document(path):
            return None, f"the {name} is a curve, and only a fit knows how loud it plays"
        try:
            drivers[name] = saved_driver.of_fit(opened.fit(path)[1])
        except Refused:
            return None, (
                f"the fit of the {name} does not know Vas: fit it with its diameter, and a known "
                "mass on the cone or its weighed moving parts"
            )
    usual = (assumed.air_pressure, assumed.air_temperature, assumed.relative_humidity)
    air = Air.at(*(one(None)[0].value for one in usual))
    found = acoustic_sum(result.solution, result.moved, drivers, air)
    crossings = [crossed.frequency.value for crossed in result.crossings]
    return AcousticEstimate(found, drive, judged(found, crossings), air), ""


def sections(found: AcousticEstimate) -> list[Section]:
    """Sum and travel."""
    f = found.sum.frequency_hz
    shown = [hz for hz in _SHOWN_HZ if f[0] <= hz <= f[-1]]
    last = found.sum.voices[-1].name

    def row(name: str, db: Any) -> list[str]:
        return [name, *(f"{v:.1f}" for v in np.interp(np.log(shown), np.log(f), db))]

    rows = [row(one.name, one.level_db + found.gain_db) for one in found.sum.voices]
    if len(rows) > 1:
        rows += [
            row("together", found.sum.together_db + found.gain_db),
            row(f"{last} swapped", found.sum.turned_db + found.gain_db),
        ]
    reach = Z95 * found.sum.standard_uncertainty_db
    worst = int(np.argmax(reach))
    wide = [f"{_short(one.beams_hz)} for the {one.name}" for one in found.sum.voices]
    blocks: list[Block] = [
        Rows((Column("dB at Hz"), *numbers(*(kilo(hz) for hz in shown))), rows),
        f"Level re 20 µPa in half space, {found.air.words}. The errors of fits and parts make the "
        f"sum uncertain by ± {np.median(reach):.1f} dB or less over half of the band (95 %). "
        f"It is least sure at {_short(float(f[worst]))}: ± {reach[worst]:.1f} dB.",
        f"Estimated for {LEFT_OUT}. A cone sends less to the side above about {', '.join(wide)}.",
        Drawing(
            "sum", partial(picture.sum_figure, found.sum, found.volt, found.words),
            "Level of the drivers and their sum over frequency",
            "Estimated at 1 m on one large baffle, without breakup, baffle edges and offsets.",
        ),
    ]  # fmt: skip
    if found.findings:
        blocks.append(Findings(found.findings))
    all_sections = [Section(f"What may reach the ear, at 1 m and {found.words}", blocks)]
    if (travel := _travel(found)) is not None:
        all_sections.append(travel)
    return all_sections


def _short(hertz: float) -> str:
    return f"{float(f'{hertz:.2g}'):.0f} Hz"


def _travel(found: AcousticEstimate) -> Section | None:
    """Travel of the cones at a stated drive."""
    known = [one for one in found.sum.voices if one.excursion_m is not None]
    if found.drive is None or not known:
        return None
    f, lines = found.sum.frequency_hz, []
    for one in known:
        moved = one.excursion_m * found.volt * 1e3
        at = int(np.argmax(moved))
        lines.append(
            f"The {one.name} moves at most {significant(float(moved[at]), 2)} mm either way, at "
            f"{significant(float(f[at]), 2)} Hz."
        )
    drawing = Drawing(
        "travel", partial(picture.travel_figure, found.sum, found.volt, found.words),
        "Peak excursion of the drivers over frequency",
        "A steady tone at the drive; without a box behind. Compare with what the suspension takes.",
    )  # fmt: skip
    return Section(f"How far the cones move at {found.words}", (*lines, drawing))


def as_json(found: AcousticEstimate) -> dict[str, Any]:
    """Estimated levels and excursions in SI units and dB."""
    document: dict[str, Any] = {
        "drive_volt_rms": found.volt,
        "level_db": {one.name: (one.level_db + found.gain_db).tolist() for one in found.sum.voices},
        "together_db": (found.sum.together_db + found.gain_db).tolist(),
        "last_swapped_db": (found.sum.turned_db + found.gain_db).tolist(),
        "standard_uncertainty_db": found.sum.standard_uncertainty_db.tolist(),
    }
    document["excursion_m"] = {
        one.name: (one.excursion_m * found.volt).tolist()
        for one in found.sum.voices
        if one.excursion_m is not None
    }
    return document
