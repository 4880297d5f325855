"""What is spared in the search for a model changes nothing that is reported."""

from __future__ import annotations

import math

import campaign_drivers
import campaign_runs as runs
import pytest

from fit.joint import fit_driver
from fit.search import candidates, laws

WITH_LAWS = [driver for driver in campaign_drivers.DRIVERS if driver.law[0]]


@pytest.mark.parametrize("driver", WITH_LAWS, ids=lambda driver: driver.name)
def test_laws_far_behind_are_not_fitted_to_the_end_and_change_nothing(driver, monkeypatch):
    """Against the search that fits every law to the end; a ten-thousandth of an uncertainty is what
    the last steps of a fit leave open."""
    monkeypatch.setattr(campaign_drivers, "POINTS", 100)
    settled: list[str] = []
    settle = laws.settle

    def counted(problem, start):
        settled.append(problem.driver.name)
        return settle(problem, start)

    monkeypatch.setattr(laws, "settle", counted)
    curves, session = campaign_drivers.whole_bench(driver, runs.rng_of(5, 1), 1e-4)
    spared = fit_driver(curves, session)
    count = len(settled)
    monkeypatch.setattr(candidates, "_BEHIND", math.inf)
    whole = fit_driver(curves, session)
    assert count < len(settled) - count
    assert spared.model == whole.model
    assert spared.parameters.keys() == whole.parameters.keys()
    for name, value in whole.parameters.items():
        off = abs(spared.parameters[name].value - value.value)
        assert off <= 1e-4 * value.standard_uncertainty
        size = pytest.approx(value.standard_uncertainty, rel=1e-4)
        assert spared.parameters[name].standard_uncertainty == size
