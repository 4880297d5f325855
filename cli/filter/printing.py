"""A crossover in the terminal and as JSON."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import partial
from typing import TYPE_CHECKING, Any

import numpy as np
from rich.text import Text

from cli.filter import acoustics, picture
from cli.filter.acoustics import AcousticEstimate
from cli.filter.network_file import in_words as part_words
from cli.filter.stock_file import Stock
from cli.pictures.circuit import circuit_figure
from cli.terminal.sections import Block, Drawing, Findings, Rows, Section
from cli.terminal.tables import VERDICT_STYLE, Column, numbers
from cli.words.amplifier import Drive
from fit.crossover.evaluate import Crossing, NetworkResult
from fit.crossover.network import NetworkArm, NetworkPart, Stress
from fit.results.numbers import figures, kilo, number, signed_percent, significant, with_prefix
from fit.results.result import Estimate
from fit.results.saved import value_of
from meas.errors import Finding

if TYPE_CHECKING:
    from cli.filter.measured import MeasuredTransfer


@dataclass(frozen=True)
class NetworkOptions:
    """Wishes besides the network: heat at a drive, a least load, parts at hand."""

    drive: Drive | None
    minimum_ohm: float | None
    stock: Stock | None


def sections(
    result: NetworkResult,
    options: NetworkOptions,
    transfer: MeasuredTransfer | None,
    findings: Sequence[Finding],
    acoustic: AcousticEstimate | None,
    missing: str,
) -> list[Section]:
    """Circuit, parts, levels, load, what may reach the ear (or why nothing), and doubts."""
    branches = [one.branch for one in result.solution.branches]
    parts: list[Block] = [
        Drawing("circuit", partial(circuit_figure, branches), "The circuit of the crossover",
                "From the amplifier on the left to the drivers; plus is the upper line."),
        _parts_table(result),
    ]  # fmt: skip
    if options.drive is not None:
        parts.append(
            f"Heat and peaks at {options.drive.words}: a steady tone at its worst frequency."
        )
    reaches: list[Block] = [
        Drawing("levels", partial(curves, result, options, transfer),
                "Voltage at the drivers and load of the amplifier over frequency",
                "What reaches the terminals of the drivers, and what the amplifier sees."),
        _levels_table(result),
    ]  # fmt: skip
    reaches += [_crossing(crossed) for crossed in result.crossings]
    load: list[Block] = [
        f"Least load {figures(result.least_load, 1.0).with_interval('Ω')} at "
        f"{significant(result.least_hz)} Hz."
    ]
    if result.verdict is not None:
        verdict = Text(f"Amplifier wants at least {options.minimum_ohm:g} Ω: ")
        load.append(verdict.append(result.verdict, style=VERDICT_STYLE[result.verdict]))
    all_sections = [
        Section("Parts, from the amplifier to the driver", parts),
        Section("What reaches the drivers", reaches),
        Section("What the amplifier sees", load),
    ]
    if acoustic is not None:
        all_sections += acoustics.sections(acoustic)
    else:
        all_sections.append(Section("What may reach the ear", (f"Not told: {missing}.",)))
    if options.stock is not None:
        table = _stock_table(result, options)
        all_sections.append(Section("Nearest from the parts at hand", (table,)))
    if transfer is not None:
        worst, at = transfer.worst
        text = (
            f"Off its prediction by {transfer.rms_db:.2f} dB (root mean square), most at "
            f"{significant(at)} Hz: {worst:+.2f} dB. From {transfer.source}."
        )
        all_sections.append(Section(f"The {transfer.branch} section as measured", (text,)))
    if findings:
        all_sections.append(Section("Mind", (Findings(findings),)))
    return all_sections


def lead(result: NetworkResult) -> str:
    """The crossover in a sentence."""
    crossed = ", ".join(map(picture.place, result.crossings))
    load = f"the load falls to {result.least_load.value:.3g} Ω at {significant(result.least_hz)} Hz"
    return f"Crosses at {crossed}; {load}." if crossed else f"{load[0].upper()}{load[1:]}."


def _crossing(crossed: Crossing) -> str:
    names, level = f"{crossed.lower} and {crossed.upper}", number(crossed.level_db, 1)
    level = f"{level} dB re the amplifier"
    if crossed.resolved:
        found = figures(crossed.frequency, 1.0).with_interval("Hz")
        return f"{names} get the same voltage at {found}, {level}."
    return (
        f"{names} get nearly the same voltage over a wide band, about {level}: where they cross is "
        f"not resolved, {picture.place(crossed)} (95 %)."
    )


def curves(
    result: NetworkResult, options: NetworkOptions, transfer: MeasuredTransfer | None
) -> Any:
    """The picture of levels and load."""
    return picture.figure(
        result,
        amplifier_minimum_ohm=options.minimum_ohm,
        measured=None
        if transfer is None
        else (transfer.branch, transfer.frequency_hz, transfer.ratio),
    )


def _each(result: NetworkResult) -> Iterator[tuple[str, NetworkArm, NetworkPart, Stress | None]]:
    for index, one in enumerate(result.solution.branches):
        position = 0
        for arm in one.branch.arms:
            for named in arm.parts:
                stress = None if result.stresses is None else result.stresses[index][position]
                position += 1
                yield one.branch.name, arm, named, stress


def _parts_table(result: NetworkResult) -> Rows:
    rows: list[list[str | Text]] = []
    for branch, arm, named, stress in _each(result):
        # Limits as stated; of a measured part its 95 % interval.
        factor = 196.0 if named.errors else 100 * math.sqrt(3)
        limits = factor * named.total_uncertainty / named.part.value
        name = Text(named.name, style="bold")
        within = f"{limits:.2g} %" if limits else ""
        cells: list[str | Text] = [branch, arm.place, name, part_words(named), within]
        if stress is not None:
            cells += [
                _power(stress.worst_watt),
                _power(stress.pink_watt),
                f"{significant(stress.peak_ampere, 2)} A",
                f"{significant(stress.peak_volt, 2)} V",
            ]
        rows.append(cells)
    columns = [Column("branch"), Column("place"), Column(""), *numbers("value", "within ±")]
    if result.stresses is not None:
        columns += numbers("tone", "pink", "peak I", "peak U")
    return Rows(columns, rows)


def _power(watt: float) -> str:
    return with_prefix(watt, "W", 2) if watt >= 1e-3 else "< 1 mW"


def _levels_table(result: NetworkResult) -> Rows:
    f = result.solution.frequency_hz
    shown = [hz for hz in _SHOWN_HZ if f[0] <= hz <= f[-1]]
    rows: list[tuple[str | Text, ...]] = []
    for one, edges in zip(result.solution.branches, result.half_power_hz, strict=True):
        levels = np.interp(np.log(shown), np.log(f), one.level_db)
        rows.append(
            (
                Text(one.branch.name, style="bold"),
                *(number(float(level), 1) for level in levels),
                ", ".join(f"{significant(edge)}" for edge in edges[:3]) or "none",
            )
        )
    return Rows((Column("dB at Hz"), *numbers(*map(kilo, shown), "−3 dB, Hz")), rows)


_SHOWN_HZ = (50, 200, 500, 1000, 2000, 3000, 5000, 10000, 20000)


def _stock_table(result: NetworkResult, options: NetworkOptions) -> Rows:
    rows = []
    for branch, _, named, _ in _each(result):
        found = options.stock.near(named) if options.stock is not None else []
        if not found:
            rows.append((branch, named.name, "", "", f"no {named.part.kind} at hand"))
        for k, combination in enumerate(found):
            rows.append(
                (
                    branch if k == 0 else "",
                    f"{named.name} {part_words(named)}" if k == 0 else "",
                    with_prefix(combination.value, named.part.unit),
                    signed_percent(combination.value / named.part.value - 1),
                    combination.text,
                )
            )
    columns = (
        *(Column("branch"), Column("wanted")),
        *numbers("possible", "off"),
        Column("+ in series, | parallel", fills=True),
    )
    return Rows(columns, rows)


def document(
    result: NetworkResult,
    options: NetworkOptions,
    transfer: MeasuredTransfer | None,
    findings: Sequence[Finding],
    acoustic: AcousticEstimate | None,
) -> dict[str, Any]:
    """Results in SI units, format ``freeair-filter/1``."""
    f = result.solution.frequency_hz
    found: dict[str, Any] = {
        "format": "freeair-filter/1",
        "frequency_hz": f.tolist(),
        "branches": [
            {
                "name": one.branch.name,
                "driver": one.branch.load.name,
                "parts": [
                    _part_json(arm, named, stress)
                    for branch, arm, named, stress in _each(result)
                    if branch == one.branch.name
                ],
                "level_db": one.level_db.tolist(),
                "transfer": _complex(one.ladder.transfer),
                "input_ohm": _complex(one.ladder.input_ohm),
                "half_power_hz": list(edges),
            }
            for one, edges in zip(result.solution.branches, result.half_power_hz, strict=True)
        ],
        "crossings": [
            {
                "lower": crossed.lower,
                "upper": crossed.upper,
                "frequency_hz": _estimate(crossed.frequency),
                "level_db": crossed.level_db,
            }
            for crossed in result.crossings
        ],
        "load": {
            "load_ohm": _complex(result.solution.load_ohm),
            "minimum_ohm": _estimate(result.least_load),
            "minimum_at_hz": result.least_hz,
        },
        "findings": [
            one.as_json() for one in (*findings, *(() if acoustic is None else acoustic.findings))
        ],
    }
    if acoustic is not None:
        found["acoustic_estimate"] = acoustics.as_json(acoustic)
    if options.minimum_ohm is not None:
        found["load"] |= {"amplifier_minimum_ohm": options.minimum_ohm, "verdict": result.verdict}
    if options.drive is not None:
        found["drive_volt_rms"] = options.drive.volt_rms
    if options.stock is not None:
        found["at_hand"] = [
            {
                "branch": branch,
                "part": named.name,
                "wanted": named.part.value,
                "unit": named.part.unit,
                "combinations": [
                    {"value": c.value, "parts": list(c.parts), "text": c.text}
                    for c in options.stock.near(named)
                ],
            }
            for branch, _, named, _ in _each(result)
        ]
    if transfer is not None:
        worst, at = transfer.worst
        found["measured_transfer"] = {
            "branch": transfer.branch,
            "source": transfer.source,
            "frequency_hz": transfer.frequency_hz.tolist(),
            "transfer": _complex(transfer.ratio),
            "level_standard_uncertainty_db": transfer.uncertainty_db.tolist(),
            "difference_db": transfer.difference_db.tolist(),
            "difference_rms_db": transfer.rms_db,
            "largest_difference_db": worst,
            "largest_difference_hz": at,
        }
    return found


def _part_json(arm: NetworkArm, named: NetworkPart, stress: Stress | None) -> dict[str, Any]:
    part = named.part
    saved: dict[str, Any] = {
        "name": named.name,
        "place": arm.place,
        "kind": part.kind,
        "value": part.value,
        "unit": part.unit,
        "standard_uncertainty": named.total_uncertainty,
        "series_resistance_ohm": part.series_ohm,
    }
    if np.isfinite(part.core_ohm):
        saved["core_resistance_ohm"] = part.core_ohm
    if stress is not None:
        saved |= {
            "tone_watt": stress.worst_watt,
            "tone_at_hz": stress.worst_hz,
            "pink_noise_watt": stress.pink_watt,
            "peak_ampere": stress.peak_ampere,
            "peak_volt": stress.peak_volt,
        }
    return saved


def _estimate(estimate: Estimate) -> dict[str, Any]:
    return {**value_of(estimate), "contributions": dict(estimate.contributions)}


def _complex(values: Any) -> dict[str, list[float]]:
    return {"real": values.real.tolist(), "imag": values.imag.tolist()}
