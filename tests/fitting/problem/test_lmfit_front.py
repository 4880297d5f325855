"""The fit's own least squares against lmfit on the same problem."""

from __future__ import annotations

from dataclasses import replace

import driver_bench as bench
import numpy as np
import pytest

from fit.joint import chosen
from fit.lmfit_front import fit_with_lmfit
from fit.numerics.covariance import covariance

F = np.geomspace(10, 10e3, 80)
D = bench.WOOFER


def _takes():
    rng = np.random.default_rng(5)
    mass = 0.6 * D.Mms
    return [
        bench.free("a", bench.curve(D.impedance(F), rng, frequency=F)),
        bench.loaded("b", bench.curve(D.impedance(F, mass=mass), rng, frequency=F), mass),
    ]


def test_lmfit_ends_where_the_fit_did():
    """MINPACK, and scipy's trust region from 1 % beside it: the same optimum, chi-square and
    covariance as the fit's own steps, to their tolerances (1e-8 of chi-square, hence 1e-4 of a
    standard uncertainty)."""
    session = bench.with_area(D.Sd, 2e-4)
    settled = chosen(_takes(), session).settled
    front, found = fit_with_lmfit(_takes(), session)
    names = list(front.params)
    spread = np.sqrt(np.diag(covariance(settled.problem.jacobian(settled.theta))))
    cost = float(np.sum(settled.problem.residual(settled.theta) ** 2))
    for name in names[:4]:
        front.params[name].value *= 1.01
    for other in (found, front.minimize(method="least_squares")):
        moved = np.array([other.params[name].value for name in names]) - settled.theta
        assert np.max(np.abs(moved) / spread) < 1e-2
        assert other.chisqr == pytest.approx(cost, rel=1e-6)
    varied = [names.index(name) for name in found.var_names]
    np.testing.assert_allclose(np.sqrt(np.diag(found.covar)), spread[varied], rtol=1e-4)


def test_errors_that_bend_are_held():
    takes = _takes()
    z = takes[0].curve.impedance_ohm
    delay = bench.Systematic("delay", "", 1e-3j * F * z / 1e3)
    bent = replace(takes[0].curve, systematics=(*takes[0].curve.systematics, delay))
    front, _ = fit_with_lmfit([replace(takes[0], curve=bent), takes[1]], bench.SESSION, "lossy")
    assert not front.params["error_delay"].vary
    assert front.params["error_resistor_bench"].vary
