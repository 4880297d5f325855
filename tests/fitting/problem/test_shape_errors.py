"""What the bench says of itself is no model error; what no model follows stays one.

Takes are those of the campaigns (`campaign_drivers`), computed from mass, spring and coil without
anything of `fit`: a divider whose two inputs differ within what a calibration leaves, by 0.05 % and
by 0.002 samples. The generating model then leaves nothing but noise.
"""

from __future__ import annotations

from dataclasses import replace

import campaign_runs as runs
import numpy as np
import pytest
from campaign_drivers import DRIVERS, LIMITS, Bench, exact_session

from fit.given import in_python
from fit.joint import chosen, fit_driver
from meas.errors import Refused

NOISE = 1e-4
HYSTERETIC = ("hysteretic", (0.1,))


def free_air(driver, share, rng):
    """One take by a bench that is off by so much of all its limits."""
    off = {name: share * half for name, half in LIMITS.items()}
    return [in_python.in_free_air(Bench(NOISE, **off, limits=LIMITS).take(driver, rng))]


@pytest.mark.parametrize("driver", [DRIVERS[5], DRIVERS[8], DRIVERS[9]], ids=lambda d: d.name)
@pytest.mark.parametrize("share", [-1.0, 1.0])
def test_a_mismatch_within_its_limits_leaves_no_model_error(driver, share):
    """At the limits the residual shows it, several times above the noise (80 dB, 1e-4)."""
    settled = chosen(
        free_air(driver, share, runs.rng_of(3, 1)), exact_session(), driver.model
    ).settled
    assert settled.misfits_over_noise[0].level > 2 * NOISE
    # A model error below the noise decides nothing.
    assert settled.misfits[0].level < NOISE


def test_what_no_model_follows_remains():
    """Loss that goes with 1/f is none of a mismatch: at least half of what shows is left."""
    driver = replace(DRIVERS[8], law=HYSTERETIC, Qms=30.0)
    settled = chosen(
        free_air(driver, 1.0, runs.rng_of(3, 2)), exact_session(), driver.coil[0]
    ).settled
    assert settled.misfits_over_noise[0].level > 10 * NOISE
    assert settled.misfits[0].level > 0.5 * settled.misfits_over_noise[0].level


def test_intervals_are_as_wide_as_the_errors():
    """Forty benches at random: root mean square of error over stated uncertainty.

    Of n independent normal ones within 1 +- 3/sqrt(2 n); rectangular ones scatter less about
    it. Below, the interval counts something twice. Qms and fs of a driver that the model follows
    are bent by no more than half a dozen errors, none of which is the model's.
    """
    driver, n = DRIVERS[8], 40
    ratios = {"fs": [], "Qms": []}
    for number in range(n):
        rng = runs.rng_of(5, number)
        off = {name: rng.uniform(-half, half) for name, half in LIMITS.items()}
        take = Bench(NOISE, **off, limits=LIMITS).take(driver, rng)
        fit = fit_driver([in_python.in_free_air(take)], exact_session())
        for name, found in ratios.items():
            estimate = fit.parameters[name]
            u = estimate.standard_uncertainty / estimate.value
            found.append(np.log(estimate.value / driver.truth[name]) / u)
    for name, found in ratios.items():
        assert np.sqrt(np.mean(np.square(found))) == pytest.approx(1, abs=3 / np.sqrt(2 * n)), name


def test_a_refusal_names_inputs_that_nobody_compared():
    """Half a sample and 3 % between inputs bend a peak as no driver does: the refusal names
    them among the possible causes. With inputs compared, the same take has no such excuse."""
    off = {"gain": 0.03, "delay": 0.5 / 48e3}
    loose = {"gain": 0.03, "delay": 1 / 48e3}
    bumpy = replace(DRIVERS[8], law=("bump", (0.3, 1.3, 15.0)))
    for limits, named in ((loose, True), (LIMITS, False)):
        take = Bench(NOISE, **off, limits=limits).take(bumpy, runs.rng_of(3, 3))
        with pytest.raises(Refused) as refused:
            fit_driver([in_python.in_free_air(take)], exact_session())
        assert refused.value.reasons[0].code == "poor-fit"
        assert ("calibrate" in str(refused.value)) is named
