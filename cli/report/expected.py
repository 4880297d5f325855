"""Uses of a measured driver: the boxes that suit it, its response and excursion in one."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from cli.pictures.plots_box import prediction_figure
from cli.terminal.sections import Block, Drawing, Fact, Facts, Findings, Section, measured
from fit.box import saved_driver
from fit.box.circuit import Air, Box
from fit.box.predict import Prediction, predict
from fit.box.suggest import Suggestion, suggest
from fit.box.vented import TIGHT
from fit.results.judge import Verdict
from fit.results.numbers import significant
from fit.results.result import DriverFit, Estimate
from meas.errors import Refused

_DRIVE_VOLT = 2.83
_TWEETER = (
    "A tweeter needs no box. Its level needs Vas, which weighed moving parts and the diameter give."
)
_OPEN = ("large baffle, rear open", "large baffle")  # without a box: a cone, a tweeter


def section(fit: DriverFit, verdicts: Sequence[Verdict], air: Air) -> Section:
    """Show boxes, level and excursion, or say what is missing for them.

    Args:
        verdicts: Against the targets: a planned Vas stands in where the takes do not tell it.
    """
    title = f"What it will do at {_DRIVE_VOLT:g} V"
    planned = _with_planned_volume(fit, verdicts)
    try:
        driver = saved_driver.of_fit(planned, air.modulus)
    except Refused as refused:
        known = planned.parameters
        if {"fs", "Qts"} <= known.keys() and suggest(known).kind == "tweeter":
            return Section(title, (_TWEETER,))
        return Section(title, (Findings(refused.reasons),))
    use = suggest(planned.parameters)
    boxes = _boxes(use)
    fs = planned.parameters["fs"].value
    f = np.geomspace(fs / 10, 10 * fs, 300) if use.kind == "tweeter" else None
    found = {name: predict(driver, box, _DRIVE_VOLT, air, frequency_hz=f)
             for name, box in boxes.items()}  # fmt: skip
    name, shown = next(iter(found.items()))
    blocks: list[Block] = [
        Facts([row for name in found for row in _facts(name, boxes[name], found[name])]),
        Drawing(
            "expected",
            lambda: prediction_figure(
                shown, f"{name.capitalize()}, at {_DRIVE_VOLT:g} V", widening=driver.widening,
                only=("level", "excursion"),
            ),
            f"Level and excursion over frequency: {name}",
            f"Sine at the driver, heard at 1 m in half space; {air.words}. Bands: 95 % by the "
            "measured parameters; the room, the baffle's edges and the cone's breakup are left "
            "out.",
        ),
    ]  # fmt: skip
    if planned is not fit:
        blocks.insert(0, "The takes do not tell Vas: the planned one stands in for it.")
    return Section(title, blocks)


def _with_planned_volume(fit: DriverFit, verdicts: Sequence[Verdict]) -> DriverFit:
    for one in verdicts:
        target = one.target
        if target.parameter == "Vas" and "Vas" not in fit.parameters:
            ends = [end for end in (target.lower, target.upper) if end is not None]
            half = max(abs(end - target.target) for end in ends)
            planned = Estimate(target.target, "m3", {"plan of Vas": half / math.sqrt(3)})
            return replace(fit, parameters={**fit.parameters, "Vas": planned})
    return fit


def _boxes(use: Suggestion) -> dict[str, Box]:
    """Find the boxes that suit, by name; without any a large baffle."""
    boxes = {}
    if use.closed is not None:
        boxes["flattest closed box"] = Box(use.closed.volume)
    if use.vented is not None:
        boxes["flattest vented box"] = Box(use.vented.volume, use.vented.fb, TIGHT)
    return boxes or {_OPEN[use.kind == "tweeter"]: Box(math.inf)}


def _facts(name: str, box: Box, found: Prediction) -> list[Fact]:
    rows = []
    if math.isfinite(box.volume):
        tuned = "" if box.fb is None else f", tuned to {significant(box.fb)} Hz"
        rows.append((name, significant(1e3 * box.volume, 2), "L", f"net{tuned}"))
    else:
        needs = "a tweeter needs no box" if name == _OPEN[True] else "no flat box of usual size"
        rows.append((name, "", "", needs))
    rows.append(measured("3 dB down at", found.parameters["f3"], "Hz", 1.0))
    return rows
