"""Drivers in boxes as circuits, and the fits that stand for them.

The box is an acoustical circuit seen through the cone's area in the mechanical loop, where
velocity is current: the air of the box a capacitor V/(rho c^2 Sd^2), the vent an inductor that
resonates with it at fb, the leak a resistor, all side by side (L. L. Beranek, Acoustics, 1954,
chapters 3 and 8).
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from ngspice_bench import Air, Driver, Load, driver_lines, run_ngspice
from numpy.typing import NDArray
from scipy.optimize import brentq

from fit.results.result import DriverFit, Estimate, FittedCurve
from meas.curve import ImpedanceCurve, Systematic

DENSITY, SOUND_SPEED = 1.199359, 343.9630  # those of ngspice_bench.Air

WOOFER = Driver()
"""fs 41 Hz, Qts 0.64, Vas 22 L: an invented driver; too limp a motor for a flat vented box."""
STRONG = Driver(Re=5.6, coil=((0.3e-3, None), (0.5e-3, 4.0)), Bl=7.6, Mms=14e-3, Rms=0.8)
"""fs 45 Hz, Qts 0.33: one for a vented box."""


# One standard uncertainty each, relative: a 1 % resistor, a 0.1 g mass, a 1 mm ruler, noise.
EFFECTS = {
    "resistor:bench": {"Re": 0.006, "Bl": 0.003},
    "mass:12g": {"Mms": 0.008, "Cms": -0.008, "Bl": 0.004, "Vas": -0.008},
    "ruler": {"Vas": 0.016, "Sd": 0.008},
    "random:noise:1": {"fs": 0.002, "Qms": 0.01, "Qes": 0.006, "Vas": -0.004},
}
NOISE = 0.002  # of |Z|, each component; a sound card does better


@dataclass(frozen=True)
class BoxCircuit:
    """A box; fb None: closed. ``leak`` is the acoustical leak as 1/(R C) [1/s]."""

    volume: float
    fb: float | None = None
    leak: float = 0.0

    @staticmethod
    def vented(volume: float, fb: float, QL: float) -> BoxCircuit:
        return BoxCircuit(volume, fb, 2 * math.pi * fb / QL)


def load(driver: Driver, box: BoxCircuit) -> Load:
    """The box as what is done to the driver; current i(vvent) is the vent's share of velocity."""
    compliance = box.volume / (Air().rho_c2 * driver.Sd**2)
    beside: tuple[str, ...] = ()
    if box.fb is not None:
        mass = 1 / ((2 * math.pi * box.fb) ** 2 * compliance)
        beside += ("Vvent m4 port 0", f"Lvent port 0 {mass!r}")
    if box.leak:
        beside += (f"Gleak m4 0 m4 0 {box.leak * compliance!r}",)
    return Load(box=box.volume, beside=beside)


def ac(
    driver: Driver, box: BoxCircuit, folder: Path, source: list[str], save: str,
    sweep: str = "dec 100 10 1000", more: tuple[str, ...] = (),
) -> dict[str, NDArray[np.complex128]]:  # fmt: skip
    """Small-signal analysis with the driver between nodes ``in`` and 0."""
    lines = [
        *driver_lines(driver, load(driver, box), "in", "0"),
        *more,
        *source,
        f".ac {sweep}",
        f".save {save}",
    ]
    return run_ngspice(lines, folder)


def circuit_curve(
    driver: Driver, box: BoxCircuit, folder: Path, seed: int = 1, noise: float = NOISE,
    more: tuple[str, ...] = (),
) -> ImpedanceCurve:  # fmt: skip
    """The simulator's AC analysis with noise on it, and the resistor's error stated."""
    seen = ac(driver, box, folder, ["I1 0 in AC 1"], "v(in)", "dec 60 10 2000", more)
    f, z = seen["frequency"].real, seen["v(in)"]
    rng = np.random.default_rng(seed)
    sigma = noise * np.abs(z)
    noisy = z + sigma * (rng.normal(size=f.size) + 1j * rng.normal(size=f.size))
    resistor = Systematic("resistor:bench", "resistor", 0.006 * noisy)
    return ImpedanceCurve(f, noisy, sigma, (resistor,))


def fit_of(driver: Driver, effects: dict[str, dict[str, float]] | None = None) -> DriverFit:
    """A fit that found the truth, uncertain as said.

    Args:
        driver: The truth.
        effects: Error source to relative effects on parameters for one standard uncertainty.
    """
    (L1, _), (L2, R2) = driver.coil
    values = driver.truth() | {"L1": L1, "L2": L2, "R2": R2 or 0.0}
    values["Qts"] = 1 / (1 / values["Qms"] + 1 / values["Qes"])
    units = {
        "Re": "ohm", "fs": "Hz", "Mms": "kg", "Bl": "T m", "Cms": "m/N", "Rms": "kg/s",
        "Vas": "m3", "Sd": "m2", "L1": "H", "L2": "H", "R2": "ohm",
    }  # fmt: skip
    parameters = {
        name: Estimate(
            value=value,
            unit=units.get(name, "1"),
            contributions={
                source: row[name] * value for source, row in (effects or {}).items() if name in row
            },
        )
        for name, value in values.items()
    }
    f = np.geomspace(10, 2e4, 5)
    flat = np.full(5, 6.0 + 0j)
    curve = FittedCurve("made", "free-air", None, f, flat, flat, flat, 1e-4)
    return DriverFit("ladder", parameters, (curve,), (), {s: s for s in effects or {}}, {})


LAWS = {
    "": {},
    "+creep": {"creep": 0.12},
    "+relaxing+former": {
        "give": 0.3, "f_give": 12.0, "brake": 0.1, "f_former": 300.0, "R_former": 1.5,
    },
}  # fmt: skip
"""Model behind the coil, and its parameters."""


UNITS = {"f": "Hz", "R": "ohm"}


def under(laws: str, fit: DriverFit) -> DriverFit:
    """The same parameters under laws of suspension and former, each law's own 3 % uncertain."""
    own = {
        name: Estimate(value, UNITS.get(name[0], "1"), {"random:law": 0.03 * value})
        for name, value in LAWS[laws].items()
    }
    told = {**fit.sources, "random:law": "law"} if own else fit.sources
    return replace(fit, model=fit.model + laws, parameters={**fit.parameters, **own}, sources=told)


GIVE, F_GIVE = 0.25, 14.0


def giving(driver: Driver) -> tuple[tuple[str, ...], DriverFit]:
    """A suspension that gives slowly: elements beside its spring, and the fit that found it.

    Velocity is current, so springs in series are capacitors side by side, and a spring in series
    with a Kelvin-Voigt element is one with a capacitor behind a resistor beside it. Resonance and
    loss are where and what the mechanical impedance is real.
    """
    give = GIVE * driver.Cms
    lines = (f"Cgive m3 slow {give!r}", f"Rgive slow m4 {1 / (2 * math.pi * F_GIVE * give)!r}")

    def mechanical(w: float) -> complex:
        compliance = driver.Cms * (1 + GIVE / (1 + 1j * w / (2 * math.pi * F_GIVE)))
        return driver.Rms + 1j * w * driver.Mms + 1 / (1j * w * compliance)

    w0 = 1 / math.sqrt(driver.Mms * driver.Cms)
    ws = float(brentq(lambda w: mechanical(w).imag, 0.5 * w0, 2 * w0))
    same = replace(driver, Cms=1 / (ws**2 * driver.Mms), Rms=mechanical(ws).real)
    fit = fit_of(same)
    own = {"give": Estimate(GIVE, "1", {}), "f_give": Estimate(F_GIVE, "Hz", {})}
    return lines, replace(fit, model="ladder+relaxing", parameters={**fit.parameters, **own})
