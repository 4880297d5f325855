"""What a home bench has: a multimeter, scales, several masses, a box, and takes in a row."""

from __future__ import annotations

from dataclasses import replace

import driver_bench as bench
import numpy as np
import pytest

from cli.driver import mass_to_add
from fit.joint import fit_driver
from meas.errors import Refused

F = np.geomspace(10.0, 5e3, 60)
D = bench.WOOFER


def _curve(rng, driver=D, *, wrong=1.0, resistor=0.01, **condition):
    z = driver.impedance(F, **condition) * wrong
    return bench.curve(z, rng, noise=3e-4, resistor=resistor, frequency=F)


def _within(estimate, truth, times=1.0):
    low, high = estimate.interval_95
    reach = times * max(high - estimate.value, estimate.value - low)
    return abs(estimate.value - truth) <= reach


def _fit(curves, session=bench.SESSION):
    return fit_driver(curves, session, model="lossy")


def test_a_multimeter_shows_a_wrong_series_resistor():
    """A 10 ohm resistor entered as 12: the coil reads 20 % high and the multimeter says so."""
    rng = np.random.default_rng(1)
    session = replace(bench.SESSION, measured_re=bench.stated(D.Re, 0.16, "multimeter"))
    _fit([bench.free("right", _curve(rng))], session)
    with pytest.raises(Refused) as raised:
        _fit([bench.free("wrong", _curve(rng, wrong=1.2))], session)
    assert [reason.code for reason in raised.value.reasons] == ["unknown-resistor"]


def test_weighed_moving_parts_are_the_mass_of_a_tweeter():
    """No mass sticks to a dome: coil and dome weigh what they weigh, air load added.

    The air on both sides of a disc in free air is 8/3 rho a^3 (H. Lamb, Hydrodynamics).
    """
    radius = 15e-3
    load = 8 / 3 * 1.199 * radius**3
    tweeter = bench.Driver(
        Re=5.0, Mms=0.30e-3 + load, Cms=90e-6, Rms=0.7, Bl=2.7, Sd=np.pi * radius**2, K=8e-4
    )
    frequency = np.geomspace(200.0, 15e3, 60)
    rng = np.random.default_rng(2)
    measured = bench.curve(tweeter.impedance(frequency), rng, noise=3e-4, frequency=frequency)
    session = replace(
        bench.with_area(tweeter.Sd, 0.04 * tweeter.Sd),
        moving_parts=bench.stated(0.30e-3, 0.01e-3, "moving-parts"),
    )
    fit = _fit([bench.free("dome", measured)], session)
    for name in ("Mms", "Bl", "Cms"):
        assert _within(fit.parameters[name], tweeter.truth[name]), name
    # 0.01 g of 0.3 g, rectangular: 1.9 %; with a quarter of the load as limits not much more.
    mms = fit.parameters["Mms"]
    assert 0.017 < mms.standard_uncertainty / mms.value < 0.03


def test_free_mass_free_takes_a_linear_drift_out():
    """Compliance creeps up by 6 % from the first take to the last; the mass was on in between.

    Against free air before alone the loaded take sees 3 % more compliance than the reference;
    between two free-air takes the reference is their mean, which is what the loaded take saw.
    """
    worst = {"before": 0.0, "both": 0.0}
    compliance = {}
    for seed in range(3):
        rng = np.random.default_rng(seed)
        states = [replace(D, Cms=D.Cms * (1 + part)) for part in (-0.03, 0.0, 0.03)]
        before, after = (
            bench.free(name, _curve(rng, driver))
            for name, driver in (("before", states[0]), ("after", states[2]))
        )
        loaded = bench.loaded("mass", _curve(rng, states[1], mass=0.0075), 0.0075, 1e-5)
        for name, takes in (("before", [before, loaded]), ("both", [before, loaded, after])):
            fit = _fit(takes)
            assert _within(fit.parameters["Mms"], D.Mms), (name, seed)
            worst[name] = max(worst[name], abs(fit.parameters["Mms"].value / D.Mms - 1))
            compliance[name] = fit.parameters["Cms"].value / D.Cms - 1
    assert worst["both"] < 0.005
    # The mean of both is the state in which the mass was on; the first take alone is 3 % off it.
    assert abs(compliance["both"]) < 0.006
    assert compliance["before"] == pytest.approx(-0.03, abs=0.01)


def test_three_masses_agree_and_share_their_errors():
    """Each weighed to 0.1 g by itself: three together are known better than one."""
    rng = np.random.default_rng(4)
    free = bench.free("free", _curve(rng))
    loaded = [
        bench.loaded(f"mass {k}", _curve(rng, mass=m), m + e, 1e-4)
        for k, (m, e) in enumerate(((0.005, 6e-5), (0.0075, -5e-5), (0.0102, 4e-5)))
    ]
    all_of_them, one = _fit([free, *loaded]), _fit([free, loaded[0]])
    assert _within(all_of_them.parameters["Mms"], D.Mms)
    assert (
        all_of_them.parameters["Mms"].standard_uncertainty
        < 0.6 * one.parameters["Mms"].standard_uncertainty
    )


@pytest.mark.parametrize("wrong", [2.2e-4, 1e-3])
def test_a_wrong_mass_among_three_is_named(wrong):
    """0.22 g off on scales good to 0.1 g is told; 1 g would put Mms far off, and is refused."""
    rng = np.random.default_rng(4)
    free = bench.free("free", _curve(rng))
    loaded = [
        bench.loaded(f"mass {k}", _curve(rng, mass=m), m + (wrong if k == 1 else 0.0), 1e-4)
        for k, m in enumerate((0.005, 0.0075, 0.0102))
    ]
    if wrong < 5e-4:
        (told,) = [w for w in _fit([free, *loaded]).warnings if w.code == "mass-disagrees"]
    else:
        with pytest.raises(Refused) as raised:
            _fit([free, *loaded])
        (told,) = [r for r in raised.value.reasons if r.code == "mass-disagrees"]
    assert told.text.startswith("mass 1: ")
    # Within 1.5 %: what two masses of 0.1 g limits say of the third.
    said = float(told.text.split("it would be")[1].split(" g,")[0])
    assert said == pytest.approx(7.5, rel=0.015)


def test_the_ruler_is_checked_by_mass_and_box():
    """Area from measurements alone, right against truth; a ruler 10 % off is told."""
    rng = np.random.default_rng(5)
    curves = [
        bench.free("free", _curve(rng)),
        bench.loaded("mass", _curve(rng, mass=0.0075), 0.0075, 1e-4),
        bench.boxed("box", _curve(rng, volume=0.02), 0.02, 0.0002),
    ]
    right = _fit(curves, bench.with_area(D.Sd, 0.02 * D.Sd))
    assert _within(right.parameters["Sd_from_takes"], D.Sd)
    assert "area-disagrees" not in [w.code for w in right.warnings]
    wrong = _fit(curves, bench.with_area(1.21 * D.Sd, 0.02 * D.Sd))
    assert "area-disagrees" in [w.code for w in wrong.warnings]
    assert _within(wrong.parameters["Sd_from_takes"], D.Sd)


def test_a_mass_is_proposed_after_free_air_alone():
    """With a cone's size: one that lowers the resonance by 20 to 50 %; known Mms: nothing."""
    rng = np.random.default_rng(6)
    free = bench.free("free", _curve(rng))
    sized = bench.with_area(D.Sd, 0.02 * D.Sd)
    found = mass_to_add.next_step(_fit([free], sized), sized)
    assert found is not None
    assert found.code == "mass-wanted"
    proposed = mass_to_add.propose(D.truth["fs"], mass_to_add.typical_mass(D.Sd), 10.0).mass_kg
    assert f"put {1e3 * proposed:g} g on the cone" in found.text
    assert 0.2 <= 1 - (1 + proposed / D.Mms) ** -0.5 <= 0.5
    loaded = bench.loaded("mass", _curve(rng, mass=proposed), proposed, 1e-4)
    fit = _fit([free, loaded], sized)
    assert mass_to_add.next_step(fit, sized) is None
    # What was promised for Mms is not less than what came of it, and of its size.
    told = mass_to_add.expected(proposed, 3e-4)
    mms = fit.parameters["Mms"]
    assert 0.5 * told < mms.standard_uncertainty / mms.value < 1.3 * told
    bare = mass_to_add.next_step(_fit([free]), bench.SESSION)
    assert bare is not None
    assert "--diameter" in bare.text
