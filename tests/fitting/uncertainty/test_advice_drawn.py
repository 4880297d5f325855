"""Advice over drawn situations of a bench: it never contradicts itself nor what was done.

What is done is known from the draw, not from the advice: every order that the program can give
stands in `DONE` with the situation in which it would be pointless.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass, replace

import driver_bench as bench
import numpy as np
import pytest

from cli.report.fit_words import next_step, steps
from cli.words.table_scale import TableScale
from fit.compare.sitting import Held, of_driver
from fit.given.measured import MeasuredCurve, Session
from fit.joint import fit_driver
from fit.uncertainty.advice import Advice, advise
from meas.bench.rig import Calibration, Rig, Standard, Wiring
from meas.correction.systematics import bench_systematics
from meas.curve import ImpedanceCurve

F = np.geomspace(10.0, 3e3, 48)
MASS, VOLUME = 0.0075, 0.0213
LEADING = ("resistor", "meter", "mass", "diameter", "air", "held", "repeatability")
DRAWS = 6


@dataclass(frozen=True)
class Drawn:
    """One situation; half-widths in SI units, None where a thing was not measured.

    Attributes:
        table: Whether the curves come from a table, whose ohms a meter scales.
        percent: Tolerance of the series resistor, of the known resistor, or of the meter.
        standards: What calibrated the bench.
    """

    leading: str
    table: bool
    percent: float
    standards: tuple[str, ...]
    input_ohm: float | None
    mass: float
    diameter: float
    pressure: float
    temperature: float
    humidity: float
    held: Held
    coil: float | None
    volume: float | None
    takes: int


def drawn(leading: str, seed: int) -> Drawn:
    """A situation in which one thing is poor, and anything may be true of the rest."""
    rng = np.random.default_rng([seed, LEADING.index(leading)])

    def one(*choices):
        return choices[rng.integers(len(choices))]

    table = leading == "meter" or (leading != "resistor" and rng.random() < 0.3)
    standards = ("same-node", "short", "open", "resistor")[: one(0, 1, 3, 4)]
    rest = Drawn(
        leading, table, one(0.1, 1.0), standards, one(None, 47e3), one(1e-5, 1e-4),
        one(0.3e-3, 1e-3), one(100.0, 3000.0), one(1.0, 8.0), one(0.05, 0.3),
        one("clamped", "magnet-down"), one(None, 0.002, 0.02), one(None, 0.005, 0.02), 1,
    )  # fmt: skip
    resistor = {"percent": 5.0, "coil": None, "standards": standards[:3]}
    meter = {"percent": one(2.0, 5.0), "coil": None}
    poor = {
        "resistor": resistor, "meter": meter, "mass": {"mass": 1e-3},
        "diameter": {"diameter": 5e-3, "volume": None}, "held": {"held": "hand"},
        "air": {"pressure": 6000.0, "volume": None},
        "repeatability": {"takes": 3},
    }  # fmt: skip
    return replace(rest, **poor[leading])


def situation(of: Drawn, seed: int) -> tuple[list[MeasuredCurve], Session]:
    """Curves with the errors of the drawn bench, and what was measured beside them."""
    rng, d = np.random.default_rng(seed), bench.WOOFER

    def stated(value, half_width, source):
        return bench.stated(value, half_width, source)

    def curve(name, softer=1.0, **condition):
        z = replace(d, Cms=softer * d.Cms).impedance(F, **condition)
        sigma = 3e-4 * np.abs(z)
        z = z + sigma * (rng.standard_normal(F.size) + 1j * rng.standard_normal(F.size))
        if of.table:
            return TableScale(of.percent, "my meter").on(name, ImpedanceCurve(F, z, sigma))
        return ImpedanceCurve(F, z, sigma, errors(of, z))

    scatter = 0.02 if of.leading == "repeatability" else 0.0
    curves = [
        bench.free(f"free {k}", curve(f"free {k}", 1 + scatter * rng.standard_normal()))
        for k in range(of.takes)
    ]
    curves.append(bench.loaded("mass", curve("mass", mass=MASS), MASS, of.mass))
    if of.volume:
        boxed = curve("box", volume=VOLUME)
        curves.append(bench.boxed("box", boxed, VOLUME, of.volume * VOLUME))
    area = stated(d.Sd, np.sqrt(np.pi * d.Sd) * of.diameter, "ruler")
    coil = None if of.coil is None else stated(d.Re, of.coil * d.Re, "multimeter")
    session = Session(
        area=area,
        measured_re=coil,
        moving_parts=None,
        pressure=stated(101325.0, of.pressure, "air-pressure"),
        temperature=stated(293.15, of.temperature, "air-temperature"),
        relative_humidity=stated(0.5, of.humidity, "air-humidity"),
    )
    return curves, session


def errors(of: Drawn, z):
    """What the drawn bench may get wrong, by the program that measures with it."""
    known = "resistor" in of.standards
    wiring = Wiring(
        series_resistor_ohm=10.0,
        tolerance_percent=1.0 if known else of.percent,
        input_resistance_ohm=of.input_ohm,
    )
    ideal = {"same-node": 1.0, "open": 1.0, "short": 1e-4, "resistor": 8.2 / 18.2}
    standards = tuple(
        Standard(
            kind=kind,
            resistance_ohm=8.2 if kind == "resistor" else None,
            tolerance_percent=of.percent if kind == "resistor" else None,
            taken_at="2026-03-01T10:00:00+01:00",
            sample_rate_hz=48000,
            device="default",
            source_input=1,
            driver_input=2,
            points=tuple((f, ideal[kind], 0.0, 1e-9) for f in (5.0, 2e4)),
        )
        for kind in of.standards
    )
    calibration = Calibration(standards=standards) if standards else None
    rig = Rig(name="porch", wiring=wiring, calibration=calibration)
    return bench_systematics(F, z, rig, calibration=calibration, sample_rate_hz=48000)


def no_better(now: float, then: float) -> bool:
    """Whether a limit that is attainable is no more than a fifth below the present one."""
    return then > 0.8 * now


DONE: dict[str, Callable[[Drawn], bool]] = {
    r"freeair rig calibrate\)$": lambda d: {"same-node", "short", "open"} <= {*d.standards},
    "--standard short": lambda d: d.table or "short" in d.standards,
    "--input-resistance": lambda d: d.table or d.input_ohm is not None,
    "^use a series resistor": lambda d: d.table or "resistor" in d.standards or d.percent <= 1,
    "^measure the series resistor": lambda d: d.table or no_better(d.percent, 0.1),
    "^use a known resistor": lambda d: "resistor" not in d.standards or d.percent <= 1,
    "^measure the known resistor": lambda d: (
        d.table or "resistor" not in d.standards or no_better(d.percent, 0.1)
    ),
    "^read a 1 % resistor with the meter": lambda d: not d.table or d.percent <= 1,
    "^read a resistor known to 0.1 % with the meter": lambda d: (
        not d.table or no_better(d.percent, 0.1)
    ),
    "air pressure": lambda d: no_better(d.pressure, 100.0),
    "air temperature": lambda d: no_better(d.temperature, 1.0),
    "relative humidity": lambda d: no_better(d.humidity, 0.05),
    "cone's diameter": lambda d: no_better(d.diameter, 0.3e-3),
    "^clamp the frame": lambda d: d.held == "clamped",
    "weigh the added mass": lambda d: no_better(d.mass, 1e-5),
    "net volume of the box": lambda d: d.volume is None or no_better(d.volume, 0.005),
    "coil's resistance": lambda d: d.coil is None or no_better(d.coil, 0.002),
}
"""Part of an order, and whether it would be pointless in a situation."""

REMEDY = {
    "resistor": ("Re", "^use a series resistor that is sold to 1 %"),
    "meter": ("Re", "^read a 1 % resistor with the meter"),
    "mass": ("Mms", "weigh the added mass"),
    "diameter": ("Sd", "cone's diameter"),
    "air": ("Vas", "air pressure"),
    "held": ("fs", "^clamp the frame"),
}
"""The quantity that a poor thing limits first, and what mends it."""


def contradictions(of: Drawn, advice: tuple[Advice, ...]) -> list[str]:
    """All that is wrong with the advice in a situation."""
    worth = {one.cheapest.words for one in advice if one.cheapest}
    idle = {one.useless.words for one in advice if one.useless}
    told = [f"both worth and not worth doing: {words}" for words in sorted(worth & idle)]
    for words in sorted(worth | idle):
        ways = [done for part, done in DONE.items() if re.search(part, words)]
        if len(ways) != 1:
            told.append(f"an order that this test does not know once: {words}")
        elif ways[0](of):
            told.append(f"done already: {words}")
    said = [item for section in steps(advice) for block in section.blocks for item in block.items]
    told += [f"said twice: {item}" for item in {*said} if said.count(item) > 1]
    texts = [*said, *(one.text for one in advice)]
    told += [f"promises certainty: {text}" for text in texts if re.search(r"±0(\.0+)? ", text)]
    told += [
        f"narrows nothing: {one.parameter}"
        for one in advice
        if one.cheapest and one.reach() == one.reach(one.cheapest.standard_uncertainty)
    ]
    if worth and next_step((), advice) == "":
        told.append("the headline names no next step")
    return told


@pytest.mark.parametrize("leading", LEADING)
def test_advice_contradicts_neither_itself_nor_what_was_done(leading: str) -> None:
    told = []
    for seed in range(DRAWS):
        of = drawn(leading, seed)
        curves, session = situation(of, seed)
        fit = of_driver(fit_driver(curves, session, model="lossy"), of.held, "Lantern")
        advice = advise(fit, curves, session)
        found = contradictions(of, advice)
        if leading in REMEDY:
            symbol, remedy = REMEDY[leading]
            cheapest = next(one for one in advice if one.parameter == symbol).cheapest
            words = cheapest.words if cheapest else "nothing"
            if not re.search(remedy, words):
                found.append(f"{symbol} limited by {leading}, but advised: {words}")
        told += [f"{of}: {one}" for one in found]
    assert told == []
