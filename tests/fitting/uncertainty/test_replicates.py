"""Refits of many replicates at once, and intervals from them."""

from __future__ import annotations

import math
from copy import copy
from dataclasses import replace

import driver_bench as bench
import numpy as np
import pytest
from scipy.stats import ks_2samp

from fit.joint import chosen, fit_driver
from fit.numerics.least_squares import least_squares
from fit.results.store import from_json, to_json
from fit.uncertainty import monte_carlo
from fit.uncertainty.monte_carlo import curved, draws
from fit.uncertainty.replicates import refitted

D = bench.WOOFER
F = np.geomspace(12, 8e3, 60)
MASS, VOLUME = 0.6 * D.Mms, bench.GAMMA_P * D.Sd**2 * D.Cms


def _settled(noise=3e-4):
    rng = np.random.default_rng(3)
    curves = [
        bench.free("a", bench.curve(D.impedance(F), rng, noise=noise, frequency=F)),
        bench.loaded(
            "b", bench.curve(D.impedance(F, mass=MASS), rng, noise=noise, frequency=F), MASS
        ),
        bench.boxed(
            "c",
            bench.curve(D.impedance(F, volume=VOLUME), rng, noise=noise, frequency=F),
            VOLUME,
            0.02 * VOLUME,
        ),
    ]
    session = replace(
        bench.with_area(D.Sd, 3e-4),
        measured_re=bench.stated(6.22, 0.05, "multimeter"),
        moving_parts=bench.stated(0.0115, 3e-4, "moving-parts"),
    )
    return chosen(curves, session).settled


def _refitted_one_by_one(settled, replicates):
    problem = settled.problem
    first = problem.rows[len(problem.takes)].first
    found = []
    for r, stated in enumerate(replicates.stated):
        alone = copy(problem)
        alone._memory = {}
        alone.takes = [
            replace(take, data=data[r])
            for take, data in zip(problem.takes, replicates.data, strict=True)
        ]

        def residual(theta, alone=alone, stated=stated):
            rows = alone.residual(theta)
            rows[first : first + stated.size] -= stated
            return rows

        found.append(least_squares(residual, alone.jacobian, settled.theta, tolerance=1e-9).values)
    return np.array(found)


@pytest.mark.parametrize("noise", [3e-4, 0.02])
def test_refits_together_are_refits_one_by_one(noise):
    """The same optimum of every replicate, within a hundredth of its scatter; the same
    distribution (Kolmogorov and Smirnov's test cannot tell them apart)."""
    settled = _settled(noise)
    _, replicates = draws(settled, 60, seed=1)
    together, ended = refitted(settled.problem, settled.theta, replicates)
    assert np.all(ended)
    alone = _refitted_one_by_one(settled, replicates)
    problem = settled.problem
    told = [0, 1, 2, 3, *problem.driver.columns, problem.mass_column, problem.volume_column]
    scatter = np.std(alone, axis=0)[told]
    # The row of weighed parts is taken as linear together, exact alone.
    assert np.max(np.abs(together - alone)[:, told] / scatter) < 0.02
    for column in told:
        assert ks_2samp(together[:, column], alone[:, column]).pvalue > 0.99


def test_refits_scatter_as_linear_propagation_says_where_it_suffices():
    """Low noise: chi-square is a parabola, and the spread of 400 refits about their own truths is
    the budget's, within 4 standard errors of a spread (1/sqrt(2 N): 14 %)."""
    settled = _settled()
    fit = fit_driver(
        [take.measured for take in settled.problem.takes], settled.problem.session, "lossy"
    )
    at = monte_carlo.Extremes(None, None, None)
    for name in ("Re", "fs", "Qms", "Mms", "Bl"):
        assert fit.parameters[name].limits is None
    truth, replicates = draws(settled, 400, seed=2)
    found, _ = refitted(settled.problem, settled.theta, replicates)
    for name in ("Re", "fs", "Mms", "Vas", "Bl"):
        errors = [
            math.log(
                monte_carlo.derived(settled.problem, a, at)[name][0]
                / monte_carlo.derived(settled.problem, b, at)[name][0]
            )
            for a, b in zip(found, truth, strict=True)
        ]
        estimate = fit.parameters[name]
        expected = estimate.standard_uncertainty / estimate.value
        assert np.std(errors) == pytest.approx(expected, rel=0.14), name


def test_a_few_scattered_magnitudes_get_their_interval_by_monte_carlo():
    rng = np.random.default_rng(8)
    f = np.geomspace(15, 2000, 18)
    table = bench.magnitude(D.impedance(f), rng, scatter=0.05, frequency=f)
    fit = fit_driver([bench.free("table", table)], bench.SESSION)
    estimate = fit.parameters["Re"]
    assert estimate.limits is not None
    low, high = estimate.interval_95
    assert low < estimate.value < high
    assert estimate.widening >= 1.0
    again = fit_driver([bench.free("table", table)], bench.SESSION)
    assert again.parameters["Re"].interval_95 == (low, high)  # the same data, the same interval
    kept = from_json(to_json(fit, unit="unit"))
    assert kept.parameters["Re"].interval_95 == pytest.approx((low, high))


def test_a_parabola_is_not_curved():
    settled = _settled()
    resonance = np.eye(settled.problem.size)[2]
    assert curved(settled, {"fs": resonance}) == []
