"""Values with their error sources: differences, products and any function of them."""

import math

import numpy as np
import pytest

from fit.results import error_sources
from fit.results.propagate import effects_on
from fit.results.result import Estimate

VOLT = [5.007, 4.994, 5.005, 4.990, 4.999]
AMPERE = [19.663e-3, 19.639e-3, 19.640e-3, 19.685e-3, 19.678e-3]
RADIAN = [1.0456, 1.0438, 1.0468, 1.0428, 1.0433]
"""Five observations at once (JCGM 100:2008, H.2, table H.2)."""


def mean(readings, unit):
    """The mean; the departure of each observation is a source that moves all three readings."""
    departures = np.array(readings) - np.mean(readings)
    size = math.sqrt(len(readings) * (len(readings) - 1))
    effects = {f"observation {k}": d / size for k, d in enumerate(departures)}
    return Estimate(float(np.mean(readings)), unit, effects, logarithmic=False)


def test_simultaneous_resistance_and_reactance():
    """JCGM 100:2008, H.2, table H.4: means, uncertainties and correlations of R, X and Z."""
    readings = {"V": mean(VOLT, "V"), "I": mean(AMPERE, "A"), "phi": mean(RADIAN, "1")}
    assert readings["V"].standard_uncertainty == pytest.approx(0.0032, abs=5e-5)
    assert readings["I"].standard_uncertainty == pytest.approx(0.0095e-3, abs=5e-8)
    assert readings["phi"].standard_uncertainty == pytest.approx(0.00075, abs=5e-6)

    def impedance(values):
        Z = values["V"] / values["I"]
        return np.array([Z * math.cos(values["phi"]), Z * math.sin(values["phi"]), Z])

    R, X, Z = impedance({name: one.value for name, one in readings.items()})
    effects = np.array(list(effects_on(impedance, readings).values()))
    covariance = effects.T @ effects
    u = np.sqrt(np.diag(covariance))
    r = covariance / np.outer(u, u)
    # The last digit that the table prints.
    assert (R, X, Z) == pytest.approx((127.732, 219.847, 254.260), abs=1e-3)
    assert tuple(u) == pytest.approx((0.071, 0.295, 0.236), abs=1e-3)
    assert (r[0, 1], r[0, 2], r[1, 2]) == pytest.approx((-0.588, -0.485, 0.993), abs=1e-3)


def test_a_product_of_powers_is_the_function_by_its_gradient():
    readings = {"V": mean(VOLT, "V"), "I": mean(AMPERE, "A")}
    Z = Estimate.product([(readings["V"], 1), (readings["I"], -1)], "ohm")
    by_gradient = effects_on(lambda values: values["V"] / values["I"], readings)
    assert Z.value == pytest.approx(254.260, abs=1e-3)
    # Rounding of Z over a step of a thousandth of a standard uncertainty up and down.
    rounding = np.finfo(float).eps * Z.value / 1e-3
    by_gradient = {source: float(effect) for source, effect in by_gradient.items()}
    assert Z.contributions == pytest.approx(by_gradient, abs=rounding)


def hertz(value, widening=1.0, **contributions):
    named = {name.replace("_", ":"): part for name, part in contributions.items()}
    return Estimate(value, "Hz", {**named}, widening=widening)


def test_what_both_share_cancels_and_the_rest_adds_in_squares():
    before = hertz(50.0, resistor=0.5, random_noise=0.03)
    after = hertz(45.0, resistor=0.45, random_noise=0.04)
    change = after.change_from(before)
    assert change.value == pytest.approx(math.log(0.9))
    assert change.standard_uncertainty == pytest.approx(math.hypot(0.03 / 50, 0.04 / 45))
    assert before.change_from(after).value == -change.value
    assert before.change_from(after).standard_uncertainty == change.standard_uncertainty


def test_the_air_cancels_within_a_sitting_only():
    before, after = (Estimate(v, "m3", {"air-pressure": 0.01 * v}) for v in (0.010, 0.012))
    assert after.change_from(before, scope="sitting").standard_uncertainty == pytest.approx(0.0)
    apart = after.change_from(before).standard_uncertainty
    assert apart == pytest.approx(math.sqrt(2) * 0.01)


def test_few_repetitions_widen_only_what_is_not_shared_and_was_seen():
    before = hertz(50.0, widening=2.0, resistor=0.5, random_takes=0.05)
    after = hertz(50.0, widening=3.0, resistor=0.7, random_takes=0.05)
    assumed = ({"assumed:Cms": 0.002}, {"assumed:Cms": 0.004})
    change = after.change_from(before, assumed=assumed)
    shared, seen, common = 0.2 / 50, 0.05 / 50, math.hypot(0.002, 0.004)
    assert change.standard_uncertainty == pytest.approx(math.hypot(shared, seen, seen, common))
    reach = (change.interval_95[1] - change.interval_95[0]) / 2 / 1.959964
    assert reach == pytest.approx(math.hypot(shared, 2 * seen, 3 * seen, common))


def test_decibels_change_as_the_power_that_they_stand_for():
    before, after = (Estimate(v, "dB", {"random:noise": 0.1}) for v in (88.0, 91.0))
    change = after.change_from(before)
    assert math.exp(change.value) == pytest.approx(10**0.3)
    assert change.standard_uncertainty == pytest.approx(math.sqrt(2) * 0.1 * math.log(10) / 10)


def test_effects_over_frequency_follow_the_same_rules():
    weights = np.array([1.0, -2.0])
    one = error_sources.combine([(weights, {"resistor": 0.5, "random:noise": 0.1})])
    other = error_sources.combine([(2 * weights, {"resistor": 0.5, "random:noise": 0.1})])
    left = error_sources.variance(error_sources.difference(one, other))
    assert left == pytest.approx((0.5 * weights) ** 2 + (0.1 * weights) ** 2 * (1 + 4))


def test_probability_below_a_limit():
    # 97.5 % of a normal law lie below 1.959964 standard deviations.
    plain = Estimate(10.0, "ohm", {"random:noise": 0.5}, logarithmic=False)
    assert plain.probability_below(10 + 0.5 * 1.959964) == pytest.approx(0.975, abs=1e-6)
    wide = Estimate(10.0, "ohm", {"random:noise": 0.5}, widening=2.0)
    assert wide.probability_below(wide.interval_95[0]) == pytest.approx(0.025, abs=1e-6)
    assert wide.probability_below(0.0) == 0.0
