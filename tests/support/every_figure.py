"""Every figure that the program can draw, from awkward data: long names, high Q, many curves."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import replace
from functools import cache
from typing import Any
from unittest import mock

import boxed_bench
import numpy as np
from made_fits import Physical, curve, fit_of

LONG = "Lantern woofer, second try with the paper cone from the attic, left of the window"
PLAIN = Physical()
HIGH_Q = PLAIN.but(Rms=0.06, Bl=1.5)
LOW_Q = PLAIN.but(Rms=6.0)
SPARK = Physical(Re=4.9, Le=0.03e-3, Bl=2.6, Mms=0.4e-3, Cms=0.045e-3, Rms=0.9, Sd=7e-4)
DRIVERS = {"plain": PLAIN, "high-q": HIGH_Q, "low-q": LOW_Q, "tweeter": SPARK}


@contextmanager
def recorded() -> Iterator[list[Any]]:
    """All figures of matplotlib that are made inside."""
    from matplotlib.figure import Figure

    made: list[Any] = []
    make = Figure.__init__

    def kept(self: Any, *words: Any, **named: Any) -> None:
        make(self, *words, **named)
        made.append(self)

    with mock.patch.object(Figure, "__init__", kept):
        yield made


def fit_with_takes(driver: Physical) -> Any:
    """Two takes in free air, two with a mass, one in a box without a phase."""
    heavier = replace(driver, Mms=1.5 * driver.Mms)
    boxed = curve(
        replace(driver, Cms=driver.Cms / 2.4), condition="test-box", value=6.8e-3, source=LONG
    )
    mass = driver.Mms / 2
    return replace(
        fit_of(driver),
        curves=(
            curve(driver), curve(driver, source=LONG),
            *(curve(heavier, condition="added-mass", value=mass) for _ in range(2)),
            replace(boxed, measured_ohm=np.abs(boxed.measured_ohm)),
        ),
    )  # fmt: skip


def _curves() -> None:
    from cli.pictures import plots

    for driver in DRIVERS.values():
        fit = fit_with_takes(driver)
        plots.curve_figure(fit)
        plots.curve_figure(replace(fit, curves=fit.curves[:1]))
        plots.motional_figure(fit)


def _comparisons() -> None:
    from cli.pictures import plots_compare
    from fit.compare.curves import difference
    from fit.compare.trend import Point, Trend

    for driver in DRIVERS.values():
        fits = [fit_of(driver.but(Cms=1 + 0.1 * k)) for k in range(6)]
        names = [f"{LONG} {k}" for k in range(6)]
        plots_compare.overlay_figure(fits, names, [difference(fits[0], one) for one in fits[1:]])
        plots_compare.overlay_figure(fits[:2], names[:2], [difference(*fits[:2])])
    for hours in ((0.0, 1.0, 12.0, 100.0), (None,) * 4):
        points = tuple(
            Point(f"{LONG} {k}", hour, 48.0 - k, 47.5 - k, 48.5 - k) for k, hour in enumerate(hours)
        )
        plots_compare.trend_figure(Trend("fs", points, "unknown", "", 44.8, (44.5, 45.1)))


def _levels() -> None:
    from cli.pictures.plots_levels import levels_figure
    from fit.diagnosis.against_level import against_level

    fits = [
        (volt, fit_of(PLAIN.but(Cms=soft))) for volt, soft in ((0.1, 1.0), (0.3, 1.02), (1, 1.1))
    ]
    levels_figure(against_level(fits), "V")
    levels_figure(against_level(fits)[:1], "peak, full scale is 1")


def _boxes() -> None:
    from cli.pictures import plots_box
    from fit.box.as_built import SystemFit
    from fit.box.predict import Air, Box, predict
    from fit.box.saved_driver import of_fit

    air = Air(1.2, 344.0)
    for driver in (boxed_bench.WOOFER, boxed_bench.STRONG):
        saved = of_fit(boxed_bench.fit_of(driver, boxed_bench.EFFECTS))
        for box in (Box(0.3e-3), Box(0.05), Box(0.013, 45.0, 7.0, 1e-4)):
            found = predict(saved, box, 9.0, air)
            limits = {"xmax": 4e-3, "limit_m_s": 17.0}
            plots_box.prediction_figure(found, f"{LONG}: vented box, flattest, at 10 W", **limits)
    f = np.geomspace(10, 1e3, 200)
    z = PLAIN.impedance(f)[0]
    plots_box.system_figure(
        SystemFit("closed", {}, None, (51.0,), f, z, 1.01 * z, 0.01, (), {}), LONG
    )


def _crossovers() -> None:
    from cli.filter import picture
    from cli.pictures.circuit import circuit_figure
    from fit.box.circuit import Air
    from fit.box.saved_driver import of_fit
    from fit.crossover.acoustic import acoustic_sum
    from fit.crossover.evaluate import evaluate
    from fit.crossover.load import from_fit
    from fit.crossover.network import Branch
    from fit.crossover.textbook import BranchAim, design

    woofer, spark = (from_fit(LONG, replace(fit_of(d), curves=(curve(d),))) for d in (PLAIN, SPARK))
    drivers = {"woofer": of_fit(fit_of(PLAIN)), "tweeter": of_fit(fit_of(SPARK))}
    for order, hz, least in ((1, 3000.0, 4.0), (2, 1500.0, None), (2, 8000.0, 8.0)):
        branches = [
            Branch(name, design(BranchAim(low, hz, order, 0.7, True, 6.0 * (not low)), load)[0],
                   load)
            for name, low, load in (("woofer", True, woofer), ("tweeter", False, spark))
        ]  # fmt: skip
        result = evaluate(branches, drive_volt=9.0, amplifier_minimum_ohm=least)
        circuit_figure(branches)
        heard = acoustic_sum(result.solution, result.moved, drivers, Air(1.2, 344.0))
        picture.sum_figure(heard, 9.0, "10 W into 8 Ω, 8.94 V")
        picture.travel_figure(heard, 9.0, "10 W into 8 Ω, 8.94 V")
        one = result.solution.branches[1]
        f = result.solution.frequency_hz
        picture.figure(
            result, amplifier_minimum_ohm=least, measured=("tweeter", f, one.ladder.transfer)
        )


def _series() -> None:
    from cli.series import picture
    from fit.series.limits import derive
    from fit.series.mask import judge, profile
    from fit.series.statistics import summarise

    rng = np.random.default_rng(3)
    spreads = {"Re": 0.008, "Le": 0.02, "Bl": 0.012, "Mms": 0.01, "Cms": 0.05, "Rms": 0.06}
    good = [
        (f"lantern-{k}",
         fit_of(PLAIN.but(**{p: math.exp(s * rng.standard_normal()) for p, s in spreads.items()})))
        for k in range(8)
    ]  # fmt: skip
    mask = derive(good).mask
    assert mask is not None
    picture.mask_figure(mask)
    picture.spread_figure(good, summarise(good))
    for driver in (PLAIN, PLAIN.but(Mms=1.4), HIGH_Q):
        fit = fit_of(driver)
        seen = profile(fit)
        measured = (fit.curves[0].frequency_hz, np.abs(fit.curves[0].measured_ohm))
        picture.unit_figure(mask, seen, measured, judge(mask, seen), (LONG, "outside"), 50.0)


def _archive() -> None:
    from cli.archive.summary import Series, usual
    from cli.refit import pictures

    for count in (4, 200):
        rng = np.random.default_rng(count)
        series = Series("lantern")
        for k in range(count):
            row = {"unit": f"{LONG} {k}", "label": "", "first": f"2026-03-{1 + k % 28:02d}T09:00",
                   "parameters": {}}  # fmt: skip
            for symbol, unit, value in (("fs", "Hz", 48.0), ("Qts", "1", 0.41), ("Re", "ohm", 5.8),
                                        ("Vas", "m3", 0.021), ("Mms", "kg", 13e-3)):  # fmt: skip
                value *= 1 + 0.02 * rng.standard_normal() + 0.4 * (k == 3)
                row["parameters"][symbol] = (value, unit, 0, 0, 0, 0.003)
            series.add(row)
        found = usual(series)
        pictures.distribution_figure(series, found)
        pictures.drift_figure(series, [one for one in found if one.symbol in ("fs", "Qts", "Re")])


def _resistors() -> None:
    from cli.rig.choice_picture import choice_figure
    from fit.design.series_resistor import Card, Expected, Limits, choose

    card = Card(2.0, 1.0, 16.0, 1.2, 20e-6)
    limits = Limits(0.01, 0.001, 0.02)
    for expected in (Expected(5.6, 38.0, 4.0, 0.4, 0.5e-3), Expected(4.9, 1200.0, 30.0, 2.0, 3e-5)):
        best = choose(card, expected, "hot", limits, series=12, band_hz=(5.0, 2e4))[0]
        choice_figure(best, "hot")


def _windings() -> None:
    from cli.pictures.coil import coil_figure
    from fit.design.winding import Coil, Former, Gap
    from fit.design.wire import enamelled

    coil = Coil(enamelled(0.2e-3), Former(20e-3, 0.1e-3), layers=4, turns=152)
    coil_figure(coil, Gap(19.4e-3, 22.6e-3, 6e-3), 6e-3)
    coil_figure(coil, None, None)
    coil_figure(Coil(enamelled(0.05e-3), Former(13e-3, 0.1e-3), layers=2, turns=3000), None, 4e-3)


def _sheets() -> None:
    from cli.report import comparison_page, fit_page, paper
    from cli.report.comparison_page import Compared
    from cli.sources.states import DriverState
    from fit.compare.changes import compare
    from fit.results.judge import Target, judge
    from meas.errors import Finding

    fit = fit_with_takes(PLAIN)
    targets = (Target("Re", 6.2, 5.9, 6.25), Target("fs", 48, 44, 50), Target("Bl", 7, lower=6.6))
    page = fit_page.content(
        fit, unit=LONG, verdicts=judge(fit.parameters, targets),
        findings=[Finding("stiff", f"{LONG} is stiff.", next_step="run it in.")],
        warnings=[Finding("hum", "Some hum at 50 Hz")],
        origin=fit_page.Origin(None, (("Take 1", LONG),)),
    )  # fmt: skip
    paper.sheets(page)
    paper.picture(page)
    before, after = fit_of(PLAIN), fit_of(PLAIN.but(Cms=1.2))
    states = (DriverState("new", LONG, before), DriverState(LONG, LONG, after))
    compared = Compared(LONG, states, (compare(before, after, names=("new", LONG)),), True)
    told = comparison_page.content(compared)
    paper.sheets(told)
    paper.picture(told)


GROUPS: dict[str, Callable[[], None]] = {
    "curves": _curves,
    "comparisons": _comparisons,
    "levels": _levels,
    "boxes": _boxes,
    "crossovers": _crossovers,
    "series": _series,
    "archive": _archive,
    "resistors": _resistors,
    "windings": _windings,
    "sheets": _sheets,
}


@cache
def drawn(group: str) -> list[Any]:
    """The figures of one group."""
    with recorded() as figures:
        GROUPS[group]()
    return figures
