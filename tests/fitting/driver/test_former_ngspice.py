"""A closed former as ngspice plays it: a ring coupled to the coil, in the field of its gap.

Coil and ring are two inductors with a coupling, each with its own back-EMF, and each pushes the
moving system: velocity is the current of the mechanical loop (`ngspice_bench`). Nothing of
`fit.driver.laws.former` is in it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from pathlib import Path

import driver_bench as bench
import numpy as np
import pytest
from boxed_bench import DENSITY, SOUND_SPEED, fit_of
from ngspice_bench import Air, Driver, run_ngspice
from numpy.typing import NDArray
from scipy.optimize import brentq

from fit.box import predict
from fit.box.driver_in_box import DEPARTURES, DriverInBox
from fit.box.saved_driver import of_fit
from fit.crossover.load import fitted_impedance
from fit.crossover.spice import subcircuit
from fit.joint import fit_driver
from fit.results.result import DriverFit, Estimate

pytestmark = pytest.mark.ngspice

WOOFER = Driver(coil=((0.3e-3, None),))
LADDER = Driver()
SAME = 1e-6
"""Both sides are closed forms in double precision."""
VOLT, SOURCE_OHM, VOLUME = 2.83, 0.4, 0.012


@dataclass(frozen=True)
class Ring:
    """A closed former: its length in the field times that field, its parts, its coupling.

    A turn of aluminium foil, 25 mm across, 8 mm high and 0.05 to 0.2 mm thick has 1.3 to 6 mohm
    (resistivity 27 nohm m, from memory) and some 60 nH; half of its height in 1.1 T makes 0.08 T m.
    """

    field_length: float
    resistance: float
    inductance: float
    coupling: float

    def impedance(self, driver: Driver, w: float) -> complex:
        """Mechanical impedance of the moving system with the ring [kg/s] (Faraday, Ohm)."""
        own = driver.Rms + 1j * w * driver.Mms + 1 / (1j * w * driver.Cms)
        return own + self.field_length**2 / (self.resistance + 1j * w * self.inductance)

    def truth(self, driver: Driver) -> dict[str, float]:
        """By definition: resonance where the mechanical impedance is real, Rms its value there."""
        w0 = 1 / math.sqrt(driver.Mms * driver.Cms)
        ws = float(brentq(lambda w: self.impedance(driver, w).imag, 0.5 * w0, 2 * w0))
        Rms, L1 = self.impedance(driver, ws).real, driver.coil[0][0]
        # A shorted turn takes w^2 M^2 Lf/(Rf^2 + w^2 Lf^2) off an inductance (textbook
        # transformer); Le is stated at 1 kHz.
        angle = math.atan2(2e3 * math.pi * self.inductance, self.resistance)
        as_found = replace(driver, Rms=Rms, Cms=1 / (ws**2 * driver.Mms)).truth()
        return as_found | {
            "Le": L1 * (1 - (self.coupling * math.sin(angle)) ** 2),
            "brake": self.field_length**2 * ws * driver.Cms / self.resistance,
            "f_former": self.resistance / (2 * math.pi * self.inductance),
            # The mutual inductance is the coupling times the root of the product.
            "R_former": self.resistance * self.coupling**2 * L1 / self.inductance,
        }


RINGS = {
    "thin": Ring(0.084, 6e-3, 61e-9, 0.9),
    "loose": Ring(0.084, 2.3e-3, 61e-9, 0.7),
    "thick": Ring(0.05, 0.5e-3, 40e-9, 0.9),
}


def play(
    driver: Driver, ring: Ring, source: list[str], folder: Path, *, mass: float = 0.0,
    box: float | None = None,
) -> dict[str, NDArray[np.complex128]]:  # fmt: skip
    """Small-signal analysis of driver and ring; nodes in, m3 (box), currents i(vi), i(vu)."""
    (L1, _), *beside = driver.coil
    air = math.inf if box is None else box / (Air().rho_c2 * driver.Sd**2)
    lines = [
        f"Re in coil0 {driver.Re!r}",
        f"Lcoil coil0 coil1 {L1!r}",
        "Vi emf0 emf 0",
        f"Hemf emf 0 Vu {driver.Bl!r}",
        f"Lring 0 ring0 {ring.inductance!r}",
        f"Kring Lcoil Lring {ring.coupling!r}",
        "Vring ring0 ring1 0",
        # A source: ngspice raises resistors below 1 mohm to that.
        f"Hring ring1 ring2 Vring {ring.resistance!r}",
        f"Hringemf ring2 0 Vu {ring.field_length!r}",
        "Vu force m1 0",
        f"Hforce force push Vi {driver.Bl!r}",
        f"Hringforce push 0 Vring {ring.field_length!r}",
        f"Lms m1 m2 {driver.Mms + mass!r}",
        f"Rms m2 m4 {driver.Rms!r}",
        f"Cms m4 m3 {driver.Cms!r}",
        "Vbox m3 0 0" if box is None else f"Cbox m3 0 {air!r}",
    ]
    here = "coil1"
    for inductance, resistance in beside:
        lines += [f"L2 {here} emf0 {inductance!r}", f"R2 {here} emf0 {resistance!r}"]
    if not beside:
        lines.append(f"Vlink {here} emf0 0")
    return run_ngspice([*lines, *source], folder)


def impedance(
    driver: Driver, ring: Ring, folder: Path, mass: float = 0.0
) -> tuple[NDArray[np.float64], NDArray[np.complex128]]:
    """In free air, perhaps with a mass: 1 A in, so that v(in) is Z."""
    source = ["I1 0 in AC 1", ".ac dec 60 10 20000", ".save v(in)"]
    seen = play(driver, ring, source, folder, mass=mass)
    return seen["frequency"].real, seen["v(in)"]


@pytest.mark.parametrize("name", RINGS)
def test_the_ring_is_found_and_its_driver_is_right(name: str, tmp_path: Path) -> None:
    """Free air and a mass, 0.1 % of noise: the model, and 95 % intervals about the truth.

    The ring's own three to three standard uncertainties, which one value in 370 exceeds.
    """
    ring, rng, mass = RINGS[name], np.random.default_rng(1), 0.6 * WOOFER.Mms
    takes = []
    for added in (0.0, mass):
        f, z = impedance(WOOFER, ring, tmp_path, added)
        curve = bench.curve(z, rng, noise=1e-3, frequency=f)
        takes.append(bench.loaded("m", curve, mass) if added else bench.free("a", curve))
    fit = fit_driver(takes, bench.SESSION)
    assert fit.model == "plain+former"
    truth = ring.truth(WOOFER)
    for symbol in ("Re", "fs", "Qms", "Qes", "Mms", "Bl", "Le"):
        low, high = fit.parameters[symbol].interval_95
        assert low <= truth[symbol] <= high, symbol
    for symbol in ("brake", "f_former", "R_former"):
        e = fit.parameters[symbol]
        assert abs(e.value - truth[symbol]) < 3 * e.standard_uncertainty < 0.3 * e.value, symbol
    # No useless intervals: a ladder in the ring's place puts Qes 1 to 8 % off.
    for symbol in ("fs", "Qms", "Qes"):
        e = fit.parameters[symbol]
        assert e.standard_uncertainty < 5e-3 * e.value, symbol


def fit_that_found(driver: Driver, ring: Ring) -> DriverFit:
    """The truth as a fit: of the ring's inductor in the coil remains what the ring does not see."""
    truth = ring.truth(driver)
    fit = fit_of(replace(driver, Rms=truth["Rms"], Cms=truth["Cms"]))
    L1 = driver.coil[0][0] * (1 - ring.coupling**2)
    values = {
        "L1": (L1, "H"), "brake": (truth["brake"], "1"), "f_former": (truth["f_former"], "Hz"),
        "R_former": (truth["R_former"], "ohm"), "Res": (truth["Bl"] ** 2 / truth["Rms"], "ohm"),
    }  # fmt: skip
    own = {symbol: Estimate(value, unit, {}) for symbol, (value, unit) in values.items()}
    return replace(fit, model="ladder+former", parameters={**fit.parameters, **own})


@pytest.mark.parametrize("name", RINGS)
def test_loads_and_circuits_are_that_driver(name: str, tmp_path: Path) -> None:
    """The impedance out of a fit, and its subcircuit without a ring, as the ring makes it."""
    ring = RINGS[name]
    values = {n: e.value for n, e in fit_that_found(LADDER, ring).parameters.items()}
    f, z = impedance(LADDER, ring, tmp_path)
    np.testing.assert_allclose(fitted_impedance(f, values, "ladder+former"), z, rtol=SAME)
    text = subcircuit("driver", values, "ladder+former").splitlines()
    run = [*text, "X1 in 0 driver", "I1 0 in AC 1", ".ac dec 60 10 20000", ".save v(in)"]
    np.testing.assert_allclose(run_ngspice(run, tmp_path)["v(in)"], z, rtol=SAME)


@pytest.mark.parametrize("name", RINGS)
def test_a_box_is_that_of_the_ring(name: str, tmp_path: Path) -> None:
    """A closed box behind an amplifier: sound, excursion and impedance, to build and finished."""
    ring = RINGS[name]
    source = [
        f"Vamp amp 0 AC {VOLT!r}", f"Ramp amp in {SOURCE_OHM!r}",
        ".ac dec 60 10 1000", ".save v(in) v(m3) i(vu) i(vi)",
    ]  # fmt: skip
    seen = play(LADDER, ring, source, tmp_path, box=VOLUME)
    f = seen["frequency"].real
    driver = of_fit(fit_that_found(LADDER, ring))
    found = predict.predict(
        driver,
        predict.Box(VOLUME),
        VOLT,
        predict.Air(DENSITY, SOUND_SPEED),
        source_ohm=SOURCE_OHM,
        frequency_hz=f,
    )
    z = seen["v(in)"] / seen["i(vi)"]
    np.testing.assert_allclose(found.impedance_ohm, z, rtol=SAME)
    finished = DriverInBox(driver, vented=False)
    theta = np.zeros(finished.size)
    theta[0] = math.log(ring.truth(LADDER)["Vas"] / VOLUME)
    np.testing.assert_allclose(finished.impedance(2j * np.pi * f, theta)[0], z, rtol=SAME)
    omega = 2 * np.pi * f
    velocity = np.abs(seen["i(vu)"])
    assert found.excursion_m is not None
    moved = math.sqrt(2) * velocity / omega
    np.testing.assert_allclose(found.excursion_m.value, moved, rtol=SAME)
    # Half space at 1 m (L. L. Beranek, Acoustics, 1954, ch. 4): rho Sd a/(2 pi).
    pressure = DENSITY * LADDER.Sd * omega * velocity / (2 * math.pi)
    np.testing.assert_allclose(20e-6 * 10 ** (found.level_db.value / 20), pressure, rtol=SAME)


@pytest.mark.parametrize("name", RINGS)
def test_a_spring_that_softened_leaves_the_ring(name: str, tmp_path: Path) -> None:
    """In the finished box the suspension is 10 % softer than in the fit, the ring as it was."""
    ring, softer = RINGS[name], 0.1
    source = ["I1 0 in AC 1", ".ac dec 60 10 1000", ".save v(in)"]
    today = replace(LADDER, Cms=LADDER.Cms * math.exp(softer))
    seen = play(today, ring, source, tmp_path, box=VOLUME)
    finished = DriverInBox(of_fit(fit_that_found(LADDER, ring)), vented=False)
    theta = np.zeros(finished.size)
    theta[0] = math.log(ring.truth(LADDER)["Vas"] / VOLUME)
    departures = dict(
        zip(DEPARTURES, range(finished.size - len(DEPARTURES), finished.size), strict=True)
    )
    theta[departures["compliance"]] = softer / DEPARTURES["compliance"]
    s = 2j * np.pi * seen["frequency"].real
    np.testing.assert_allclose(finished.impedance(s, theta)[0], seen["v(in)"], rtol=SAME)
