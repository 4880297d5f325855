"""The fit's own least squares against lmfit on the same problem, and profiles against scipy."""

from __future__ import annotations

import pickle
from dataclasses import replace

import driver_bench as bench
import numpy as np
import pytest
from scipy.optimize import least_squares

from fit.joint import fit_driver
from fit.lmfit_front import Solution, wider_than_reported
from fit.numerics.covariance import covariance
from fit.problem.reported import derived
from fit.results import store
from meas.curve import ImpedanceCurve

F = np.geomspace(10, 10e3, 80)
D = bench.WOOFER
RISE = 3.8415
"""95 % point of chi-square of one degree (standard normal 1.95996 squared)."""


def _takes():
    rng = np.random.default_rng(5)
    mass = 0.6 * D.Mms
    return [
        bench.free("a", bench.curve(D.impedance(F), rng, frequency=F)),
        bench.loaded("b", bench.curve(D.impedance(F, mass=mass), rng, frequency=F), mass),
    ]


def _coarse():
    """Twenty readings with 3 % scatter."""
    rng = np.random.default_rng(3)
    f = np.geomspace(20, 200, 20)
    z = replace(D, K=0.0).impedance(f) + 2j * np.pi * f * 0.5e-3
    sigma = 0.03 * np.abs(z)
    z = z + sigma * (rng.standard_normal(20) + 1j * rng.standard_normal(20))
    return [bench.free("coarse", ImpedanceCurve(f, z, sigma))]


def test_lmfit_ends_where_the_fit_did():
    """MINPACK, and scipy's trust region from 1 % beside it: the same optimum, chi-square and
    covariance as the fit's own steps, to their tolerances (1e-8 of chi-square, hence 1e-4 of a
    standard uncertainty)."""
    fit = fit_driver(_takes(), bench.with_area(D.Sd, 2e-4))
    solution = Solution.of(fit)
    problem, theta = solution.settled.problem, solution.settled.theta
    found, front = fit.lmfit, solution.minimizer
    names = list(front.params)
    spread = np.sqrt(np.diag(covariance(problem.jacobian(theta))))
    cost = float(np.sum(problem.residual(theta) ** 2))
    for name in names[:4]:
        front.params[name].value *= 1.01
    other = front.minimize(method="least_squares")
    for result in (found, other):
        moved = np.array([result.params[name].value for name in names]) - theta
        assert np.max(np.abs(moved) / spread) < 1e-2
        assert result.chisqr == pytest.approx(cost, rel=1e-6)
    varied = [names.index(name) for name in found.var_names]
    np.testing.assert_allclose(np.sqrt(np.diag(found.covar)), spread[varied], rtol=1e-4)


def test_errors_of_shape_are_held():
    takes = _takes()
    z = takes[0].curve.impedance_ohm
    delay = bench.Systematic("delay", "", 1e-3j * F * z / 1e3)
    bent = replace(takes[0].curve, systematics=(*takes[0].curve.systematics, delay))
    fit = fit_driver([replace(takes[0], curve=bent), takes[1]], bench.SESSION, "lossy")
    assert not fit.lmfit.params["error_delay"].vary
    assert fit.lmfit.params["error_resistor_bench"].vary


@pytest.mark.parametrize("symbol", ["Qms", "Qts", "Re"])
def test_chi_square_rises_as_it_should_at_the_ends_of_a_profile(symbol):
    """scipy, with numeric derivatives and the quantity held by a stiff spring, finds at both ends
    a least chi-square of 3.84 above the optimum; ends are known to 5e-4 standard uncertainties
    (lmfit's root), which is 0.002 of it."""
    solution = Solution.of(fit_driver(_coarse(), bench.SESSION, "plain"))
    problem, theta = solution.settled.problem, solution.settled.theta
    best = float(np.sum(problem.residual(theta) ** 2))
    for end in solution.profile([symbol])[symbol].interval_95:

        def held(x, end=end):
            value = derived(problem, x, solution.at)[symbol][0]
            return np.append(problem.residual(x), 1e4 * np.log(value / end))

        least = least_squares(held, theta, x_scale="jac", xtol=1e-12, ftol=1e-12)
        assert 2 * least.cost - best == pytest.approx(RISE, abs=0.02)


def test_profiles_of_a_straight_problem_are_the_linear_intervals():
    """With noise of 1e-4 everything is straight over an interval: ends agree to a hundredth of it
    for what no error of several per cent bends."""
    fit = fit_driver(_takes(), bench.with_area(D.Sd, 2e-4))
    profiles = Solution.of(fit).profile(("fs", "Qms", "Qes", "Bl"))
    assert set(profiles) == {"fs", "Qms", "Qes", "Bl"}
    for one in profiles.values():
        half = (one.linear_95[1] - one.linear_95[0]) / 2
        np.testing.assert_allclose(one.interval_95, one.linear_95, atol=0.01 * half)
    assert not wider_than_reported(profiles, fit.parameters)


def test_a_reported_interval_that_is_too_narrow_is_told():
    fit = fit_driver(_coarse(), bench.SESSION, "plain")
    profiles = Solution.of(fit).profile(("fs", "Qms"))
    assert not wider_than_reported(profiles, fit.parameters)
    Qms = fit.parameters["Qms"].value
    half = tuple(Qms + (end - Qms) / 2 for end in profiles["Qms"].interval_95)
    narrow = replace(fit.parameters["Qms"], limits=half)
    (finding,) = wider_than_reported(profiles, {**fit.parameters, "Qms": narrow})
    assert finding.code == "profile-wider"
    assert "Qms" in finding.text
    assert "fs" not in finding.text


def test_a_fit_read_from_a_file_holds_no_takes():
    fit = fit_driver(_takes(), bench.SESSION, "lossy")
    read = store.from_json(store.to_json(fit, unit="Lantern"))
    with pytest.raises(ValueError, match="fit_driver"):
        _ = read.lmfit
    with pytest.raises(ValueError, match="fit_driver"):
        Solution.of(read)


def test_a_fit_that_lmfit_solved_can_be_sent_to_another_process():
    fit = fit_driver(_takes(), bench.SESSION, "lossy")
    chisqr = fit.lmfit.chisqr
    assert pickle.loads(pickle.dumps(fit)).lmfit.chisqr == chisqr
