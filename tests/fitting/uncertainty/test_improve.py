"""Advice on what would narrow an interval, against fits in which that was done."""

from __future__ import annotations

from dataclasses import replace

import driver_bench as bench
import numpy as np
import pytest

from fit.compare.sitting import of_driver
from fit.joint import fit_driver
from fit.results.result import DriverFit, Estimate
from fit.uncertainty import advice as improve
from fit.uncertainty.advice import MAIN, PAYS, advise, to_json

F = np.geomspace(10.0, 5e3, 60)
MASS, VOLUME = 0.0075, 0.0213


def _area(half_width_m):
    d = bench.WOOFER.Sd
    return bench.stated(d, np.sqrt(np.pi * d) * half_width_m, "ruler")


def _job(**better):
    """Free air, mass and box with everything that a bench states; some of it better."""
    half = {
        "mass": 1e-4, "volume": 0.02 * VOLUME, "ruler": 1e-3, "resistor": 0.01,
        "multimeter": None, "pressure": 3000.0, "box": True, **better,
    }  # fmt: skip
    rng = np.random.default_rng(5)
    d = bench.WOOFER
    session = replace(
        bench.SESSION,
        area=_area(half["ruler"]),
        pressure=bench.stated(101325.0, half["pressure"], "air-pressure"),
    )
    if half["multimeter"] is not None:
        session = replace(session, measured_re=bench.stated(d.Re, half["multimeter"], "multimeter"))

    def curve(**condition):
        z = d.impedance(F, **condition)
        return bench.curve(z, rng, noise=3e-4, resistor=half["resistor"], frequency=F)

    curves = [
        bench.free("free", curve()),
        bench.loaded("mass", curve(mass=MASS), MASS, half["mass"]),
    ]
    if half["box"]:
        curves.append(bench.boxed("box", curve(volume=VOLUME), VOLUME, half["volume"]))
    return curves, session


def _gains(fit, curves, session):
    """Every step's effect, not only what is chosen to be told."""
    found = {}
    known, causes = improve.stated_beside(curves, session), improve._causes(fit, curves)
    for step in improve.IMPROVEMENTS:
        ratios = improve._ratios(step, fit, known, causes)
        for name in MAIN:
            gain = improve._gain(step, ratios, fit.parameters[name], fit.leverages)
            if gain is not None:
                found[name, step.prefixes[0]] = gain
    return found


D = bench.WOOFER
STEPS = {
    "ruler": ({"box": False}, {"ruler": 0.3e-3}, "ruler"),
    "ruler that mass and box check": ({}, {"ruler": 0.3e-3}, "ruler"),
    "scales": ({"mass": 5e-4}, {"mass": 1e-5}, "mass:"),
    "volume": ({}, {"volume": 0.005 * VOLUME}, "volume:"),
    "resistor that a multimeter checks": (
        {"multimeter": 0.01 * D.Re}, {"resistor": 0.001}, "series-resistor",
    ),
    "multimeter": ({"multimeter": 0.02 * D.Re}, {"multimeter": 0.002 * D.Re}, "multimeter"),
}  # fmt: skip


@pytest.mark.parametrize("name", STEPS)
def test_what_is_promised_is_what_a_fit_then_says(name):
    """The interval promised for each quantity against that of a fit with the better statement.

    Within 4 % where the step matters: the update is exact for a linear problem, and the weights
    of the curves (misfit and noise) move a little between two fits. What rival models do to a
    parameter is kept by the update although a better statement may hold them too: the promise
    may be wider by as much.
    """
    before, after, prefix = STEPS[name]
    curves, session = _job(**before)
    fit = fit_driver(curves, session, model="lossy")
    gains = _gains(fit, curves, session)
    again = fit_driver(*_job(**{**before, **after}), model="lossy")
    compared = 0
    for symbol in MAIN:
        gain = gains.get((symbol, prefix))
        if gain is None:
            continue
        then = again.parameters[symbol].standard_uncertainty
        then *= fit.parameters[symbol].value / again.parameters[symbol].value
        if fit.parameters[symbol].unit == "dB":
            then = again.parameters[symbol].standard_uncertainty
        rivals = np.sqrt(sum(
            part**2 for source, part in fit.parameters[symbol].contributions.items()
            if source.startswith("random:model")
        ))  # fmt: skip
        most = 1.04 * np.hypot(then, rivals)
        assert 0.96 * then < gain.standard_uncertainty < most, symbol
        compared += gain.gain > 0.05
    assert compared


def test_a_frame_that_is_clamped_gains_what_is_promised():
    """Within 1 %: only the share of the frame goes, from up to 2 % to up to 0.2 % of the motion."""
    curves, session = _job()
    fit = fit_driver(curves, session, model="lossy")
    loose, clamped = (of_driver(fit, held) for held in ("magnet-down", "clamped"))
    promised = {
        one.parameter: one.cheapest.standard_uncertainty
        for one in advise(loose, curves, session)
        if one.cheapest is not None and "--held clamped" in one.cheapest.words
    }
    assert "fs" in promised
    for symbol, uncertainty in promised.items():
        assert uncertainty == pytest.approx(clamped.parameters[symbol].standard_uncertainty, 0.01)
    kept = advise(clamped, curves, session)
    assert not any(one.cheapest and "clamp" in one.cheapest.words for one in kept)


@pytest.fixture(scope="module")
def told():
    curves, session = _job(box=False)
    fit = fit_driver(curves, session)
    return fit, {one.parameter: one for one in advise(fit, curves, session)}


def test_shares_are_the_whole_variance(told):
    """The causes of every quantity add up to one, largest first."""
    _, advice = told
    for one in advice.values():
        parts = [share for _, share in one.causes]
        assert sum(parts) == pytest.approx(1.0)
        assert parts == sorted(parts, reverse=True)


def test_the_ruler_is_proposed_where_the_ruler_limits(told):
    """Sd is the ruler's alone: a third of its limits is a third of its interval."""
    fit, advice = told
    one = advice["Sd"]
    assert one.cheapest is not None
    assert "diameter" in one.cheapest.words
    assert one.cheapest.standard_uncertainty == pytest.approx(
        0.3 * fit.parameters["Sd"].standard_uncertainty, rel=1e-6
    )
    assert one.limits.startswith("100 % ruler")


def test_the_least_effort_that_pays_comes_first(told):
    """Re hangs on the resistor alone; the air, being free to read, goes before tools for Vas."""
    _, advice = told
    assert advice["Re"].cheapest is not None
    assert "resistor" in advice["Re"].cheapest.words
    vas = advice["Vas"]
    assert vas.cheapest is not None
    assert vas.cheapest.gain >= PAYS


def test_what_gains_nothing_is_said_where_it_helps_nowhere(told):
    """A resistor of 1 % beside noise of 8 %; not where it is what limits Re."""
    sources = {"random:noise:1": "noise", "resistor:bench": "series resistor 10 ohm within ±1 %"}
    Re = Estimate(6.2, "ohm", {"random:noise:1": 0.5, "resistor:bench": 0.0358})
    fit = DriverFit("plain", {"Re": Re}, (), sources=sources)
    curves = [bench.free("free", bench.curve(F + 0j, np.random.default_rng(1), frequency=F))]
    (one,) = advise(fit, curves, bench.SESSION)
    assert one.useless is not None and "series resistor" in one.useless.words
    assert "gains nothing" in one.text
    _, advice = told
    for one in advice.values():
        assert one.useless is None or "resistor" not in one.useless.words
    for symbol in ("fs", "Qms"):
        assert advice[symbol].cheapest is None or "resistor" not in advice[symbol].cheapest.words


def test_nothing_is_proposed_where_nothing_is_stated():
    """Noise alone: no step, and no words."""
    estimate = Estimate(40.0, "Hz", {"random:noise:1": 0.1})
    fit = DriverFit("plain", {"fs": estimate}, (), sources={"random:noise:1": "noise"})
    (one,) = advise(fit, (), bench.SESSION)
    assert (one.cheapest, one.useless, one.text) == (None, None, "")
    assert to_json([one])[0]["cheapest"] is None
