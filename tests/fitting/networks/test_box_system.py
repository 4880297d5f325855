"""The finished box recovered from its impedance; ngspice built the boxes."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from boxed_bench import (
    EFFECTS,
    LAWS,
    NOISE,
    STRONG,
    WOOFER,
    BoxCircuit,
    ac,
    circuit_curve,
    fit_of,
    giving,
    under,
)
from ngspice_bench import Driver
from numpy.typing import NDArray

from fit.box.as_built import SystemFit, fit_system
from fit.box.driver_in_box import DEPARTURES, DriverInBox
from fit.box.saved_driver import SavedDriver, of_fit
from fit.box.start import find
from fit.results.result import DriverFit
from meas.curve import ImpedanceCurve, MagnitudeCurve, Systematic
from meas.errors import Refused

VENTED = {
    "flat": (STRONG, BoxCircuit.vented(0.0135, 50.0, 7.0)),
    "large-tight": (STRONG, BoxCircuit.vented(0.030, 38.0, 15.0)),
    "lossy": (WOOFER, BoxCircuit.vented(0.020, 40.0, 4.0)),
}
CLOSED = {
    "tight": (WOOFER, BoxCircuit(0.020)),
    "leaking": (WOOFER, BoxCircuit(0.016, None, 40.0)),
}


def inside(fitted: SystemFit, name: str, truth: float) -> bool:
    low, high = fitted.parameters[name].interval_95
    return low <= truth <= high


@pytest.mark.ngspice
@pytest.mark.parametrize("case", VENTED)
def test_vented_box_comes_back(case: str, tmp_path: Path) -> None:
    """fb within 0.3 %, QL and volume within their intervals: the bounds that were asked for."""
    driver, box = VENTED[case]
    found = fit_system(circuit_curve(driver, box, tmp_path), of_fit(fit_of(driver, EFFECTS)))
    assert found.kind == "vented"
    assert box.fb is not None
    assert found.parameters["fb"].value == pytest.approx(box.fb, rel=0.003)
    assert inside(found, "fb", box.fb)
    assert inside(found, "QL", 2 * math.pi * box.fb / box.leak)
    assert inside(found, "Vb", box.volume)
    assert [w.code for w in found.warnings] == (["leaky"] if case == "lossy" else [])
    # No useless intervals: weather 1.7 %, ruler 1.6 %, mass 0.8 % make 2.5 % at one sigma.
    volume = found.parameters["Vb"]
    assert volume.standard_uncertainty < 0.04 * volume.value
    # A vent's resistance instead of the leak would tune lower by 1/(2 QL^2), half as likely.
    of_loss = 1 / (2 * 3**0.5 * (2 * math.pi * box.fb / box.leak) ** 2)
    assert found.parameters["fb"].standard_uncertainty < math.hypot(0.003, 1.1 * of_loss) * box.fb
    assert found.parameters["fb"].standard_uncertainty > 0.9 * of_loss * box.fb


@pytest.mark.ngspice
@pytest.mark.parametrize("case", CLOSED)
def test_closed_box_comes_back(case: str, tmp_path: Path) -> None:
    driver, box = CLOSED[case]
    found = fit_system(circuit_curve(driver, box, tmp_path), of_fit(fit_of(driver, EFFECTS)))
    truth = driver.truth()
    alpha = truth["Vas"] / box.volume
    assert found.kind == "closed"
    assert inside(found, "Vb", box.volume)
    fc = truth["fs"] * math.sqrt(1 + alpha)
    if box.leak:
        # QL = omega_c C_ab R_al (Small 1972), the leak's rate being 1/(C_ab R_al).
        assert inside(found, "QL", 2 * math.pi * found.parameters["fc"].value / box.leak)
        return
    # Small 1972: fc and Qtc of a tight box are fs and Qts times sqrt(1 + alpha).
    Qts = 1 / (1 / truth["Qms"] + 1 / truth["Qes"])
    assert found.parameters["fc"].value == pytest.approx(fc, rel=0.002)
    assert found.parameters["Qtc"].value == pytest.approx(Qts * math.sqrt(1 + alpha), rel=0.01)
    assert inside(found, "fc", fc)
    assert inside(found, "Qtc", Qts * math.sqrt(1 + alpha))
    assert found.QL_at_least is not None
    assert found.QL_at_least > 20


@pytest.mark.ngspice
@pytest.mark.parametrize("box", [BoxCircuit.vented(0.0135, 50.0, 7.0), BoxCircuit(0.016)])
def test_a_suspension_that_gives_comes_back(box: BoxCircuit, tmp_path: Path) -> None:
    """The box of a driver fitted with a law, at the bounds of the others."""
    more, fit = giving(STRONG)
    curve = circuit_curve(STRONG, box, tmp_path, more=more)
    found = fit_system(curve, of_fit(fit))
    assert inside(found, "Vb", box.volume)
    assert found.warnings == ()
    if box.fb:
        assert found.parameters["fb"].value == pytest.approx(box.fb, rel=0.003)
        assert inside(found, "QL", 2 * math.pi * box.fb / box.leak)


@pytest.mark.ngspice
def test_other_driver_is_noticed(tmp_path: Path) -> None:
    """A unit with a tenth less of Bl is not the one that was fitted."""
    driver, box = VENTED["flat"]
    curve = circuit_curve(replace(driver, Bl=0.9 * driver.Bl), box, tmp_path)
    codes = {w.code for w in fit_system(curve, of_fit(fit_of(driver, EFFECTS))).warnings}
    assert codes & {"other-driver", "driver-changed"}


@pytest.mark.ngspice
def test_peaks_obey_the_lossless_relations(tmp_path: Path) -> None:
    """fb^2 = fL^2 + fH^2 - fc^2, fc of the box with its vent closed (Small 1973).

    Exact for zeros of the reactance; with hardly any loss the peaks of |Z| lie there, to the
    0.1 % or so that a parabola through three points errs.
    """
    driver = replace(STRONG, coil=((1e-6, None), (1e-6, 1.0)), Rms=0.05)
    box = BoxCircuit(0.02, 45.0)
    seen = ac(driver, box, tmp_path, ["I1 0 in AC 1"], "v(in)", "dec 500 10 1000")
    curve = ImpedanceCurve(seen["frequency"].real, seen["v(in)"])
    low, high = find(curve, driver.truth()["fs"]).at_hz
    fc = driver.truth()["fs"] * math.sqrt(1 + driver.truth()["Vas"] / box.volume)
    assert math.sqrt(low**2 + high**2 - fc**2) == pytest.approx(45.0, rel=0.005)


@pytest.mark.ngspice
def test_magnitude_alone_will_do(tmp_path: Path) -> None:
    driver, box = VENTED["flat"]
    full = circuit_curve(driver, box, tmp_path)
    curve = MagnitudeCurve(
        full.frequency_hz, np.abs(full.impedance_ohm), full.standard_uncertainty_ohm
    )
    found = fit_system(curve, of_fit(fit_of(driver, EFFECTS)))
    assert found.parameters["fb"].value == pytest.approx(50.0, rel=0.003)
    assert inside(found, "Vb", box.volume)
    assert [w.code for w in found.warnings] == ["bench-unknown"]


def boxed(
    driver: Driver, alpha: float, fb: float | None, leak: float, laws: str = ""
) -> tuple[DriverInBox, NDArray[np.float64]]:
    """Model and parameters that a truth asks for, nothing departed."""
    fit = under(laws, fit_of(driver, EFFECTS))
    model = DriverInBox(of_fit(fit), vented=fb is not None)
    own = [math.log(alpha), leak] if fb is None else [
        math.log(alpha), math.log(2 * math.pi * fb), leak
    ]  # fmt: skip
    return model, np.concatenate([own, np.zeros(model.size - len(own))])


@pytest.mark.parametrize("laws", LAWS)
@pytest.mark.parametrize(("fb", "leak"), [(45.0, 0.1), (None, 0.2)])
def test_jacobian(fb: float | None, leak: float, laws: str) -> None:
    """Central differences of step h err by h^2 f'''/6, f''' up to some (2 Q)^3 = 1e3, and by eps/h:
    below 1e-8 of |Z| at 1e-6."""
    model, theta = boxed(STRONG, 1.2, fb, leak, laws)
    theta = theta + np.random.default_rng(3).normal(0, 0.3, theta.size) * (
        np.arange(theta.size) >= model.own
    )
    s = 2j * np.pi * np.geomspace(10, 1000, 60)
    z, slopes = model.impedance(s, theta)
    assert slopes.shape == (theta.size, s.size)
    for column in range(theta.size):
        step = np.zeros(theta.size)
        step[column] = 1e-6
        up, down = (model.impedance(s, theta + sign * step)[0] for sign in (1, -1))
        assert np.max(np.abs((up - down) / 2e-6 - slopes[column]) / np.abs(z)) < 1e-8, column


def drawn_bench(
    rng: np.random.Generator, fb: float | None
) -> tuple[ImpedanceCurve, SavedDriver, dict[str, float]]:
    """One day at one bench: a fit that is off as it says it may be, a driver that has drifted
    since, a curve with the same resistor's error and noise; and the truth."""
    alpha, leak = rng.uniform(0.6, 2.5), rng.uniform(0.06, 0.2) if fb else 0.0
    model, theta = boxed(STRONG if fb else WOOFER, alpha, fb, leak)
    theta[model.own :] = rng.normal(size=model.size - model.own)
    f = np.geomspace(10, 1000, 150)
    z = model.impedance(2j * np.pi * f, theta)[0]
    shared = theta[model.own + model.sources.index("resistor:bench")]
    seen = z * (1 + 0.006 * shared)
    sigma = NOISE * np.abs(seen)
    noise = sigma * (rng.normal(size=f.size) + 1j * rng.normal(size=f.size))
    systematic = Systematic("resistor:bench", "resistor", 0.006 * (seen + noise))
    curve = ImpedanceCurve(f, seen + noise, sigma, (systematic,))
    truth = {"Vb": model.volume(theta), "fb": fb or 0.0, "QL": 1 / leak if leak else math.inf}
    return curve, model.driver, truth


@pytest.mark.parametrize("fb", [45.0, None])
def test_intervals_cover(fb: float | None) -> None:
    """95 % intervals over 60 drawn benches: 51 to 60 hits, the 0.1 % points of the binomial law
    (scipy.stats.binom(60, 0.95).ppf(0.001) = 51)."""
    rng = np.random.default_rng(20260214)
    names = ("Vb", "fb", "QL") if fb else ("Vb",)
    hits = dict.fromkeys(names, 0)
    for _ in range(60):
        curve, driver, truth = drawn_bench(rng, fb)
        found = fit_system(curve, driver, "vented" if fb else "closed")
        for name in names:
            hits[name] += inside(found, name, truth[name])
    assert all(count >= 51 for count in hits.values()), hits


def test_shared_resistor_cancels() -> None:
    """The bench's resistor is the same in the fit and in the box's curve, and goes into neither
    the volume nor the tuning."""
    curve, driver, _ = drawn_bench(np.random.default_rng(5), 45.0)
    found = fit_system(curve, driver)
    for name in ("Vb", "fb"):
        estimate = found.parameters[name]
        part = abs(estimate.contributions.get("resistor:bench", 0.0))
        assert part < 0.1 * estimate.standard_uncertainty, name


def test_departures_are_in_every_budget() -> None:
    curve, driver, _ = drawn_bench(np.random.default_rng(5), None)
    found = fit_system(curve, driver)
    named = set(found.parameters["Vb"].contributions)
    assert "random:driver-noise:1" in named  # of the fit; the curve has noise of its own
    assert "random:noise:1" in named
    assert {f"random:since:{name}" for name in DEPARTURES} <= named | {"random:since:re"}
    assert all(source in found.sources for source in named)


def plain_curve(fit: DriverFit, f: NDArray[np.float64]) -> ImpedanceCurve:
    """The driver in free air: a box of a million litres."""
    model = DriverInBox(of_fit(fit), vented=False)
    theta = np.concatenate([[-20.0, 0.0], np.zeros(model.size - 2)])
    return ImpedanceCurve(f, model.impedance(2j * np.pi * f, theta)[0], np.full(f.size, 1e-3))


def test_what_is_refused() -> None:
    fit = fit_of(STRONG, EFFECTS)
    driver = of_fit(fit)
    f = np.geomspace(10, 1000, 150)
    free = plain_curve(fit, f)
    with pytest.raises(Refused, match="no-box"):
        fit_system(free, driver)
    with pytest.raises(Refused, match="no-double-peak"):
        fit_system(free, driver, "vented")
    curve, owner, _ = drawn_bench(np.random.default_rng(5), 45.0)
    with pytest.raises(Refused, match="no-single-peak"):
        fit_system(curve, owner, "closed")
    late = curve.frequency_hz > 35
    cut = ImpedanceCurve(
        curve.frequency_hz[late], curve.impedance_ohm[late], np.full(int(late.sum()), 1e-3)
    )
    with pytest.raises(Refused, match="begin above the lower peak"):
        fit_system(cut, owner, "vented")
    few = slice(None, None, 8)
    with pytest.raises(Refused, match=r"too-few-points|no-double-peak"):
        fit_system(ImpedanceCurve(curve.frequency_hz[few], curve.impedance_ohm[few]), owner)
    flat = ImpedanceCurve(f, np.full(f.size, 8.0 + 0j), np.full(f.size, 1e-3))
    with pytest.raises(Refused, match="no-single-peak"):
        fit_system(flat, driver)


def with_other_losses(rng: np.random.Generator) -> tuple[ImpedanceCurve, SavedDriver, float, float]:
    """A vented box outside the model: its air absorbs, its vent resists, the suspension creeps.

    Losses Q_A and Q_P as R. H. Small, J. Audio Eng. Soc. 21(5), 1973, places them (in series with
    the air, in series with the vent's mass), for a bare box; creep as M. H. Knudsen, J. G. Jensen,
    J. Audio Eng. Soc. 41(1/2), 1993.
    """
    volume, fb = rng.uniform(0.010, 0.030), rng.uniform(35, 60)
    leak_q, air_q, port_q = rng.uniform(6, 20), rng.uniform(20, 100), rng.uniform(20, 80)
    truth, driver = STRONG.truth(), of_fit(fit_of(STRONG, EFFECTS))
    f = np.geomspace(10, 1500, 300)
    s = 2j * np.pi * f
    wb, w0 = 2 * math.pi * fb, 2 * math.pi * truth["fs"]
    # In units of the compliance of the box's air.
    air = 1 / s + 1 / (air_q * wb)
    port = s / wb**2 + 1 / (port_q * wb)
    box = 1 / (1 / air + 1 / port + wb / leak_q)
    spring = w0**2 / (1 - rng.uniform(0, 0.08) * np.log10(s / w0))
    D = s * s + w0 / truth["Qms"] * s + spring + w0**2 * truth["Vas"] / volume * box * s
    coil = driver.driver.coil.impedance(s, driver.theta[6:])[0]
    z = STRONG.Re + coil + STRONG.Bl**2 / STRONG.Mms * s / D
    sigma = 2e-4 * np.abs(z)
    seen = z + sigma * (rng.normal(size=f.size) + 1j * rng.normal(size=f.size))
    resistor = Systematic("resistor:bench", "resistor", 0.006 * seen)
    return ImpedanceCurve(f, seen, sigma, (resistor,)), driver, volume, fb


def test_losses_that_the_model_does_not_have() -> None:
    """What the model does not follow widens the intervals: they still cover. 17 of 20 is the
    1 % point for 95 % intervals (scipy.stats.binom(20, 0.95).ppf(0.01) = 17). The tuning stays
    within 1 %, what 6 K of air do to it."""
    rng = np.random.default_rng(4)
    hits = {"fb": 0, "Vb": 0}
    for _ in range(20):
        curve, driver, volume, fb = with_other_losses(rng)
        found = fit_system(curve, driver)
        assert found.parameters["fb"].value == pytest.approx(fb, rel=0.01)
        hits["fb"] += inside(found, "fb", fb)
        hits["Vb"] += inside(found, "Vb", volume)
    assert all(count >= 17 for count in hits.values()), hits
