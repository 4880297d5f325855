"""What a residual asks for, and what a small sample costs: against linear algebra and tables."""

from __future__ import annotations

import campaign_drivers
import numpy as np
import pytest
from scipy import stats

from fit.driver.models import named
from fit.given import in_python
from fit.problem.joint_problem import Problem
from fit.problem.misfit import leverages
from fit.search import choose
from fit.search.growth import sections_seen
from meas.curve import ImpedanceCurve

PLAIN = next(d for d in campaign_drivers.DRIVERS if d.model == "plain")


@pytest.mark.parametrize("corner_hz", [60.0, 900.0, 8000.0])
def test_the_section_that_is_missing_is_the_one_that_is_seen(corner_hz):
    """A thousandth of |Z| is added by one section: to first order that is the whole residual. The
    corners tried lie 1.5 apart, so that the nearest is within 1.25."""
    f = np.geomspace(20, 20e3, 120)
    s = 2j * np.pi * f
    corner = 2 * np.pi * corner_hz
    L = 1e-3 * PLAIN.Re / corner
    z = PLAIN.impedance(f)
    curve = ImpedanceCurve(f, z + s * L / (1 + s / corner), 1e-4 * np.abs(z))
    coil, mechanics = named("plain")
    bench = campaign_drivers.exact_session()
    problem = Problem([in_python.in_free_air(curve)], bench, coil, mechanics)
    truth = PLAIN.truth
    w0 = 2 * np.pi * truth["fs"]
    theta = np.zeros(problem.size)
    theta[:4] = np.log([PLAIN.Re, w0 * PLAIN.Re / truth["Qes"], w0, w0 / truth["Qms"]])
    theta[problem.driver.coil_columns] = np.log(PLAIN.coil[1])
    found, at = sections_seen(problem, theta)[0]
    assert at == pytest.approx(corner, rel=0.25)
    assert found * at == pytest.approx(L * corner, rel=0.3)


def test_leverages_are_the_diagonal_of_the_hat_matrix():
    """Against numpy's pseudo-inverse; their sum is the number of parameters."""
    jacobian = np.random.default_rng(3).normal(size=(30, 7)) * np.geomspace(1e-3, 1e3, 7)
    found = leverages(jacobian)
    np.testing.assert_allclose(found, np.diag(jacobian @ np.linalg.pinv(jacobian)), rtol=1e-8)
    assert np.sum(found) == pytest.approx(7, rel=1e-8)


@pytest.mark.parametrize("size", [1, 2, 3])
def test_a_step_that_means_nothing_is_taken_as_rarely_by_few_points(size):
    """Against scipy's F and chi-square laws: the chance is that of many points."""
    chance = stats.chi2.sf(choose._price(size, np.inf), size)
    for freedom in (4.0, 11.0, 40.0):
        gain = choose._price(size, freedom)
        assert stats.f.sf(gain / size, size, freedom) == pytest.approx(chance, rel=1e-6)
