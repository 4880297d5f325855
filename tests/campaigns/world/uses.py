"""What the commands promise that use a fit: their intervals against circuits solved here.

Drivers are drawn by `world` and measured on a bench with a resistor, gains and a delay within what
is stated; boxes, networks and levels are solved by the laws of Kirchhoff and Newton below. Nothing
here is computed by what is tried. When it is measured, the driver differs from itself by how it is
mounted and by how its frame moves, as much as the interval says.

Each row counts how often the 95 % interval of a quantity holds the truth. Where a rectangular error
leads (a resistor, a mass, a frame) 95 % by two standard uncertainties holds more, up to all.
"""

from __future__ import annotations

import math
import sys
import warnings
from collections import Counter
from dataclasses import dataclass, replace

import campaign_runs as runs
import numpy as np
from scipy import signal
from world import curves as world_curves
from world import driver as world

from fit.box import predict as boxes
from fit.box import saved_driver
from fit.box.as_built import fit_system
from fit.box.circuit import Air, Box
from fit.compare.sitting import of_driver
from fit.crossover.evaluate import evaluate
from fit.crossover.ladder import Part
from fit.crossover.load import from_fit
from fit.crossover.network import Branch, NetworkArm, NetworkPart
from fit.design.winding import Coil, Former
from fit.design.wire import enamelled
from fit.diagnosis import against_level
from fit.given import in_python
from fit.joint import fit_driver, fit_near
from fit.parts.part_fit import fit_part
from fit.series.judge import judge_unit
from fit.series.limits import derive
from fit.series.statistics import summarise
from meas.cone.first_pulse import of_press
from meas.curve import ImpedanceCurve, Systematic
from meas.errors import Refused

STATED_OHM = 10.0
RESISTOR, GAIN, DELAY = 0.01, 5e-4, 2e-3
MASS, DIAMETER, PART = 0.01, 0.01, 0.05
MOUNTED = {"C": 0.01, "R": 0.015, "M": 0.003, "Re": 0.0023, "Bl": 0.003}
Z95 = 1.96
VOLT = 2.83
AIR = Air(world.RHO, world.SPEED)
CASES = ("driver", "levels", "series", "wind", "inductor", "capacitor", "polarity")


@dataclass(frozen=True)
class Bench:
    """What is wrong with the bench, within what is stated: of the resistor, of gain and delay."""

    resistor: float
    gain: float
    delay: float

    def curve(self, frequency_hz, impedance_ohm, rng) -> ImpedanceCurve:
        """The curve with the systematic errors that its owner would state."""
        z, noise = world_curves.measured(
            impedance_ohm, frequency_hz, rng, resistor_ohm=STATED_OHM * (1 + self.resistor),
            gain=self.gain, delay=self.delay,
        )  # fmt: skip
        z, noise = z / (1 + self.resistor), noise / (1 + self.resistor)
        # ratio = Z/(R + Z): its relative change moves Z by Z (R + Z)/R.
        lever = z * (STATED_OHM + z) / STATED_OHM
        turn = 2j * np.pi * frequency_hz / 48000
        errors = (
            ("resistor:bench", "series resistor", RESISTOR * z),
            ("gain:bench", "gain", GAIN * lever),
            ("delay:bench", "delay", DELAY * turn * lever),
        )
        stated = tuple(Systematic(name, text, d / 3**0.5) for name, text, d in errors)
        return ImpedanceCurve(frequency_hz, z, noise, stated)


def bench(rng) -> Bench:
    return Bench(*(float(rng.uniform(-1, 1)) * size for size in (RESISTOR, GAIN, DELAY)))


def mounted(unit: world.Driver, rng) -> world.Driver:
    """The driver as it is this time, by the sizes that the interval of a sitting counts with."""
    now = {name: getattr(unit, name) * math.exp(u * rng.normal()) for name, u in MOUNTED.items()}
    now["M"] *= 1 - float(rng.uniform(0, 0.02))  # its frame moves
    return replace(unit, **now)


def grid(unit: world.Driver) -> np.ndarray:
    low = max(unit.truth["fs"] / 5, 6.0)
    return np.geomspace(low, 20000, round(30 * math.log2(20000 / low)))


def fitted(unit: world.Driver, here: Bench, rng, *, with_mass: bool = True):
    """The fit of a driver in free air and with a mass; what is stated differs from what is."""
    now, f = mounted(unit, rng), grid(unit)
    s = 2j * np.pi * f
    taken = [in_python.in_free_air(here.curve(f, now.impedance(s), rng))]
    wide = 2 * math.sqrt(unit.Sd / math.pi)
    session = in_python.session(pressure=(101325.0, 1.0), temperature=(293.15, 0.1))
    if with_mass:
        grams = 0.6 * unit.M
        true = grams * (1 + MASS * float(rng.uniform(-1, 1)))
        loaded = here.curve(f, now.impedance(s, moved=(world.mass(true),)), rng)
        taken.append(in_python.with_added_mass(loaded, (grams, MASS * grams)))
        told = wide * (1 + DIAMETER * float(rng.uniform(-1, 1)))
        session = in_python.session(
            pressure=(101325.0, 1.0), temperature=(293.15, 0.1),
            relative_humidity=(0.5, 0.01), diameter=(told, DIAMETER * told),
        )  # fmt: skip
    return of_driver(fit_driver(taken, session), unit=unit.name)


def drawn(rng, *kinds: str) -> world.Driver:
    while True:
        unit = world.draw(rng)
        if unit.name in kinds:
            return unit


def held(estimate, truth: float) -> bool:
    low, high = estimate.interval_95
    return bool(low <= truth <= high)


def in_box(unit: world.Driver, f, m3: float, fb: float | None, QL: float):
    """Impedance, peak excursion at 1 V rms and level at 1 m of a driver on a box, by its mesh.

    The vent is a mass of air, the leak a resistance, both beside the spring of the air shut in:
    sound comes from all that flows out, which is what the box gives way by (R. H. Small, J. Audio
    Eng. Soc. 21(5), 1973, says the same by his circuit).
    """
    s = 2j * np.pi * np.asarray(f, float)
    spring = world.RHO * world.SPEED**2 / m3 / s
    other = np.full(s.shape, math.inf, complex)
    if fb is not None:
        w = 2 * math.pi * fb
        inertance = world.RHO * world.SPEED**2 / (m3 * w * w)
        other = world.parallel(s * inertance, QL * w * inertance)
    behind = spring if fb is None else world.parallel(spring, other)
    mechanical = unit.mechanical(s, moved=(lambda _: unit.Sd**2 * behind,))
    impedance = unit.Re + unit.coil(s) + unit.Bl**2 / mechanical
    velocity = unit.Bl / impedance / mechanical
    shut_in = unit.Sd * velocity * behind / spring
    pressure = world.RHO * np.abs(s * shut_in) / (2 * math.pi)
    return impedance, math.sqrt(2) * np.abs(velocity / s), 20 * np.log10(pressure / 20e-6)


def of_driver_measured(rng) -> dict[str, bool]:
    """One measured driver in a closed and a vented box, as built, and behind a crossover."""
    unit, here = drawn(rng, "woofer", "mid"), bench(rng)
    fit = fitted(unit, here, rng)
    saved = saved_driver.of_fit(fit)
    counted = predicted(rng, unit, saved, vented=False) | predicted(rng, unit, saved, vented=True)
    if unit.name == "woofer":
        counted |= built(rng, unit, here, saved)
    return counted | network(rng, unit, here, fit)


def predicted(rng, unit, saved, *, vented: bool) -> dict[str, bool]:
    truth = unit.truth
    m3 = truth["Vas"] * float(10 ** rng.uniform(-0.7, 0.3))
    fb = truth["fs"] * float(rng.uniform(0.6, 1.3)) if vented else None
    QL = float(rng.uniform(5, 15)) if vented else math.inf
    f = truth["fs"] * np.array([0.5, 0.8, 1.25, 2.0, 4.0])
    found = boxes.predict(saved, Box(m3, fb, QL), VOLT, AIR, frequency_hz=f)
    size, peak, level = in_box(unit, f, m3, fb, QL)
    reach = Z95 * saved.widening

    def within(band, true, *, log=False):
        u = band.standard_uncertainty / (band.value if log else 1)
        away = np.log(true / band.value) if log else true - band.value
        return np.abs(away) <= reach * u

    counted = {}
    for name, inside in (
        ("|Z|", within(found.magnitude_ohm, np.abs(size), log=True)),
        ("excursion", within(found.excursion_m, VOLT * peak, log=True)),
        ("level", within(found.level_db, level + 20 * math.log10(VOLT))),
    ):
        box = "vented" if vented else "closed"
        places = zip((0.5, 0.8, 1.25, 2, 4), inside, strict=True)
        counted |= {f"{box} {name} at {x:g} fs": bool(ok) for x, ok in places}
    if not vented and not unit.creep:
        rise = math.sqrt(1 + truth["Vas"] / m3)
        counted["closed fc"] = held(found.parameters["fc"], truth["fs"] * rise)
        counted["closed Qtc"] = held(found.parameters["Qtc"], truth["Qts"] * rise)
    return counted


def built(rng, unit, here: Bench, saved) -> dict[str, bool]:
    """The finished box: its volume, tuning and leak from the impedance of the driver in it."""
    now = mounted(unit, rng)
    truth = unit.truth
    m3 = truth["Vas"] * float(10 ** rng.uniform(-0.7, 0.3))
    fb, QL = truth["fs"] * float(rng.uniform(0.7, 1.2)), float(rng.uniform(5, 15))
    f = np.geomspace(max(4.0, truth["fs"] / 8), 1000, 240)
    found = fit_system(here.curve(f, in_box(now, f, m3, fb, QL)[0], rng), saved, "vented")
    truth = {"Vb": m3, "fb": fb, "QL": QL}
    return {
        f"built {name}": held(found.parameters[name], true)
        for name, true in truth.items()
        if name in found.parameters
    }


def part(rng, kind: str) -> dict[str, bool]:
    """Wound and scavenged parts, from small to large, with their flaws."""
    here, f = bench(rng), np.geomspace(10, 20000, 300)
    s = 2j * np.pi * f
    if kind == "inductor":
        L, R = float(10 ** rng.uniform(-4, -2)), float(10 ** rng.uniform(-1, 0.5))
        core = R + 2 * math.pi * 20000 * L * float(10 ** rng.uniform(0.7, 2))
        found = fit_part(here.curve(f, R + world.parallel(s * L, core), rng), kind)
        truth = {"L": L, "R": R}
    else:
        C, R = float(10 ** rng.uniform(-6, -4)), float(10 ** rng.uniform(-2, 0))
        found = fit_part(here.curve(f, R + 1 / (s * C), rng), kind)
        truth = {"C": C, "ESR": R}
    return {
        name: held(found.parameters[name], true)
        if name in found.parameters
        else true <= found.limits[name].upper
        for name, true in truth.items()
    }


def network(rng, low: world.Driver, here: Bench, low_fit) -> dict[str, bool]:
    """A two-way crossover of the second order into both drivers, solved node by node."""
    units = low, drawn(rng, "tweeter")
    fits = low_fit, fitted(units[1], here, rng, with_mass=False)
    loads = [from_fit(unit.name, fit) for unit, fit in zip(units, fits, strict=True)]
    crossover = 2 * math.pi * 3000
    branches, true_parts = [], []
    for unit, load in zip(units, loads, strict=True):
        L = math.sqrt(2) * unit.Re / crossover
        C = 1 / (math.sqrt(2) * unit.Re * crossover)
        coil = Part("inductor", L, 0.3), "L1"
        capacitor = Part("capacitor", C), "C1"
        first, second = (coil, capacitor) if unit is low else (capacitor, coil)
        arms = tuple(
            NetworkArm(place, (NetworkPart(name, one, PART * one.value / 3**0.5),))
            for place, (one, name) in (("series", first), ("shunt", second))
        )
        branches.append(Branch(unit.name, arms, load))
        true_parts.append((L * (1 + PART * float(rng.uniform(-1, 1))),
                           C * (1 + PART * float(rng.uniform(-1, 1)))))  # fmt: skip
    found = evaluate(branches)
    f = np.geomspace(20, 20000, 4000)
    s = 2j * np.pi * f
    into, levels = [], []
    for unit, (L, C) in zip(units, true_parts, strict=True):
        z = unit.impedance(s)
        coil, capacitor = 0.3 + s * L, 1 / (s * C)
        series, shunt = (coil, capacitor) if unit is low else (capacitor, coil)
        below = world.parallel(shunt, z)
        into.append(series + below)
        levels.append(np.abs(below / (series + below)))
    load = np.abs(world.parallel(*into))
    counted = {"filter least load": held(found.least_load, float(np.min(load)))}
    ratio = np.log(levels[0] / levels[1])
    turns = np.nonzero(np.diff(np.sign(ratio)))[0]
    if len(turns) == 1 and len(found.crossings) == 1:
        i = turns[0]
        at = f[i] * (f[i + 1] / f[i]) ** (ratio[i] / (ratio[i] - ratio[i + 1]))
        counted["filter crossing"] = held(found.crossings[0].frequency, float(at))
    return counted


def levels(rng) -> dict[str, bool]:
    """Stiffness up and force factor down with the square of the level, and its fourth power.

    What the takes alone say is of the driver as it is mounted now, the result of any mounting.
    """
    unit, here = drawn(rng, "woofer", "mid"), bench(rng)
    now, f = mounted(unit, rng), grid(unit)
    stiffer, fading = float(rng.uniform(0, 0.1)), float(rng.uniform(0, 0.06))
    fits = []
    session = in_python.session(pressure=(101325.0, 300.0))
    for level in (0.25, 0.5, 1.0):
        bent = level**2 * (1 + 0.1 * level**2)
        moved = replace(now, C=now.C / (1 + stiffer * bent), Bl=now.Bl * (1 - fading * bent))
        curve = here.curve(f, moved.impedance(2j * np.pi * f), rng)
        fits.append((level, fit_driver([in_python.in_free_air(curve)], session)))
    followed = against_level.against_level(fits)
    small = {one.name: one.small_signal for one in followed}
    whole = of_driver(replace(fits[0][1], parameters=small), unit=unit.name).parameters
    counted = {name: held(whole[name], unit.truth[name]) for name in small}
    alone = {f"{name} as mounted": held(small[name], now.truth[name]) for name in small}
    return counted | alone


def of_series(rng) -> dict[str, bool]:
    """Nine units of one design on one bench: eight that give limits, one more that is judged.

    The spread is that of the parts with how each is mounted; what all share (bench, frame) spreads
    nothing. Units after the first are fitted from where it lies, as ``series judge`` does.
    """
    design, here = drawn(rng, "woofer", "mid"), bench(rng)
    parts = {"Re": 0.008, "Bl": 0.012, "M": 0.01, "C": 0.05, "R": 0.06}
    f, frame = grid(design), 1 - float(rng.uniform(0, 0.02))
    sitting = in_python.session(pressure=(101325.0, 300.0))
    fits = []
    for _ in range(9):
        spread = {name: math.hypot(u, MOUNTED[name]) for name, u in parts.items()}
        now = {name: getattr(design, name) * math.exp(u * rng.normal()) for name, u in
               spread.items()}  # fmt: skip
        unit = replace(design, **now | {"M": frame * now["M"]})
        taken = [in_python.in_free_air(here.curve(f, unit.impedance(2j * np.pi * f), rng))]
        if not fits:
            fits.append(fit_driver(taken, sitting))
            near = {name: one.value for name, one in fits[0].parameters.items()}
        else:
            fits.append(fit_near(taken, sitting, fits[0].model, near))
    units = [(str(k), of_driver(fit, unit=str(k))) for k, fit in enumerate(fits)]
    powers = {"Re": {"Re": 1.0}, "fs": {"M": -0.5, "C": -0.5},
              "Qms": {"M": 0.5, "C": -0.5, "R": -1.0}}  # fmt: skip
    counted = {}
    for one in summarise(units[:8]):
        # The suspension's own creep brakes too, so that Qms of such a design is no such product.
        if one.parameter not in powers or (design.creep and one.parameter == "Qms"):
            continue
        true = math.hypot(*(spread[part] * power for part, power in
                            powers[one.parameter].items()))  # fmt: skip
        counted[f"spread of {one.parameter}"] = one.spread_95[0] <= true <= one.spread_95[1]
    verdict = judge_unit(units[8][1], derive(units[:8]))
    for one in verdict.judged:
        counted[f"good unit not outside, {one.limit.parameter}"] = one.verdict != "outside"
    return counted


ENAMELLED_MM = {0.1: (0.108, 0.117), 0.15: (0.162, 0.171), 0.2: (0.214, 0.226),
                0.25: (0.267, 0.281), 0.315: (0.334, 0.349)}  # fmt: skip
"""Bare diameter to the limits over the enamel, grade 1 (open magnetics data, IEC 60317)."""


def wound(rng) -> dict[str, bool]:
    """A helix of real wire: copper of 58 to 59 MS/m drawn to 3 um (4 um from 0.3 mm on)."""
    bare = float(rng.choice(list(ENAMELLED_MM)))
    thick = float(rng.uniform(*ENAMELLED_MM[bare])) * 1e-3
    inside, wall = float(rng.uniform(0.02, 0.05)), float(rng.uniform(5e-5, 2e-4))
    layers, turns = int(rng.choice([2, 4, 8])), int(rng.integers(40, 240))
    coil = Coil(enamelled(bare * 1e-3), Former(inside, wall), layers, turns)
    length, outside = 0.0, inside + 2 * wall
    for turns_here in np.diff(np.round(np.linspace(0, turns, layers + 1))):
        length += turns_here * math.hypot(math.pi * (outside + thick), thick)
        outside += 2 * thick
    drawn_to = bare * 1e-3 + (3e-6 if bare < 0.3 else 4e-6) * float(rng.uniform(-1, 1))
    ohm = length / (float(rng.uniform(58e6, 59e6)) * math.pi / 4 * drawn_to**2)
    low, _, high = coil.resistance
    return {"resistance": low <= ohm <= high, "outside": outside <= coil.outside_diameter}


def pressed(rng) -> dict[str, bool]:
    """A hand presses the cone, holds it and lets it go: Faraday's law, behind the card's coupling.

    Answered right or refused; half of the drivers are wired the other way round.
    """
    rate, seconds = 8000, 6.0
    unit = drawn(rng, "woofer", "mid")
    t = np.arange(round(seconds * rate)) / rate
    begin, press = float(rng.uniform(0.5, 1.5)), float(10 ** rng.uniform(-1.3, 0.2))
    hold, release = float(10 ** rng.uniform(-1, 0.2)), float(10 ** rng.uniform(-1.7, 0))

    def eased(since, lasting):
        x = np.clip(since / lasting, 0, 1)
        return x**3 * (10 - 15 * x + 6 * x * x)

    travel = float(10 ** rng.uniform(-3.7, -2.7))
    place = -travel * (eased(t - begin, press) - eased(t - begin - press - hold, release))
    turned = 1 if rng.random() < 0.5 else -1
    volts = turned * unit.Bl * np.gradient(place, 1 / rate) * STATED_OHM / (STATED_OHM + unit.Re)
    for corner in 10 ** rng.uniform(-0.3, 1, 2):
        volts = signal.lfilter(*signal.butter(1, corner, "high", fs=rate), volts)
    hum = 10 ** rng.uniform(-5, -2.5) * np.sin(2 * np.pi * 50 * t + rng.uniform(0, 6))
    heard = volts / 1.6 + hum + 10 ** rng.uniform(-5, -4) * rng.normal(size=t.size)
    return {"polarity": of_press(heard, rate).sign == -turned}


def one(seed: int, case: str, index: int) -> dict[str, bool]:
    rng = runs.rng_of(seed, CASES.index(case), index)
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            if case in ("inductor", "capacitor"):
                return part(rng, case)
            others = {
                "driver": of_driver_measured, "levels": levels, "series": of_series,
                "wind": wound, "polarity": pressed,
            }  # fmt: skip
            return others[case](rng)
    except Refused as refused:
        return {f"refused {' '.join(r.code for r in refused.reasons)}": True}


def block(seed: int, case: str, first: int, last: int) -> list[dict[str, bool]]:
    return [one(seed, case, index) for index in range(first, last)]


def counted(seed: int, draws: int, jobs: int, cases=CASES) -> list[dict[str, object]]:
    """One row for each case and quantity: how many draws had it, how many intervals held."""
    rows = []
    done = runs.in_blocks(block, [(seed, case) for case in cases], draws, jobs)
    for case, results in zip(cases, done, strict=True):
        had, good = Counter(), Counter()
        for result in results:
            had.update(result.keys())
            good.update(name for name, ok in result.items() if ok)
        rows += [
            {"case": case, "quantity": name, "draws": had[name], "held": good[name]} for name in had
        ]
    return rows


def main() -> None:
    parser = runs.arguments(__doc__, 200, "draws of each case")
    parser.add_argument("--case", choices=CASES, action="append", help="default: all")
    asked = parser.parse_args()
    runs.kept = asked.keep
    rows = counted(asked.seed, asked.draws, asked.jobs, tuple(asked.case or CASES))
    for row in rows:
        good, all_of_them = row["held"], row["draws"]
        share = f"{100 * good / all_of_them:6.1f} %"
        print(f"{row['case']:10} {row['quantity']:22} {good:4} of {all_of_them:4} {share}")
    runs.write(asked.out, rows)


if __name__ == "__main__":
    sys.exit(main())
