"""How wide an interval is that several models share: a mixture of normal laws.

The 95 % interval of a mixture about one of its members is where its distribution function says
so (J. Hoeting et al., Statist. Sci. 14, 1999, for models by their probabilities); scipy's normal
law and root finder say it here, and draws of such a mixture.
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy.optimize import brentq
from scipy.stats import norm

from fit.uncertainty.rivals import _WIDEST, _mixed

Z95 = norm.ppf(0.975)


def added(change: float, probability: float, known: float, more: float) -> float:
    """By `fit`, for one rival and one value; the variances are squares of what is given."""
    return float(
        _mixed(
            np.array([[change]]), np.array([probability]), np.array([known**2]),
            np.array([[more**2]]),
        )[0]
    )  # fmt: skip


@pytest.mark.parametrize("probability", [0.01, 0.03, 0.0499])
def test_a_rival_of_less_than_5_percent_is_not_reached_wherever_it_lies(probability):
    """(1 - p) of the normal law has to hold 95 % alone: 2 (1 - p) Q(h) + p = 0.05."""
    h = norm.isf((0.05 - probability) / (2 * (1 - probability)))
    reach = Z95 * np.hypot(0.02, added(5.0, probability, 0.02, 0.0))
    assert reach == pytest.approx(h * 0.02, rel=1e-6)


@pytest.mark.parametrize("probability", [0.06, 0.2, 0.5, 0.9])
def test_a_likelier_rival_is_reached(probability):
    """Far away, h ends where 5 % of the whole lie beyond: p Q((h - D)/w) = 0.05."""
    change, wide = 3.0, np.hypot(0.02, 0.03)
    h = change + wide * norm.isf(0.05 / probability)
    reach = Z95 * np.hypot(0.02, added(-change, probability, 0.02, 0.03))
    assert reach == pytest.approx(h, rel=1e-6)


@pytest.mark.parametrize("change", [0.0, 0.01, 0.04, 0.1])
@pytest.mark.parametrize("more", [0.0, 0.02])
def test_near_rivals_by_the_distribution_function(change, more):
    probability, known = 0.3, 0.02
    wide = np.hypot(known, more)

    def outside(h):
        inside = norm.cdf((h - change) / wide) - norm.cdf((-h - change) / wide)
        own = norm.cdf(h / known) - norm.cdf(-h / known)
        return 0.95 - (1 - probability) * own - probability * inside

    h = brentq(outside, 0.01, 1.0)
    assert Z95 * np.hypot(known, added(change, probability, known, more)) == pytest.approx(
        h, rel=1e-6
    )


def test_several_rivals_share_what_is_left():
    """Draws of the mixture: 95 % within, to three standard deviations of their number."""
    probabilities = np.array([0.2, 0.1, 0.03])  # each against the model alone
    changes = np.array([[0.05], [-0.02], [0.2]])
    known = 0.02
    extra = _mixed(changes, probabilities, np.array([known**2]), np.zeros((3, 1)))
    odds = probabilities / (1 - probabilities)
    weights = np.array([1.0, *odds]) / (1 + np.sum(odds))
    rng = np.random.default_rng(4)
    which = rng.choice(4, 200_000, p=weights)
    errors = np.array([0.0, *changes[:, 0]])[which] + known * rng.standard_normal(which.size)
    inside = np.mean(np.abs(errors) < Z95 * np.hypot(known, extra[0]))
    assert inside == pytest.approx(0.95, abs=3 * np.sqrt(0.95 * 0.05 / which.size))


def test_a_rival_that_knows_nothing_does_not_open_the_interval():
    """More than `_WIDEST` times as open as ours is not believed to be an uncertainty."""
    assert added(0.0, 0.1, 0.02, 50.0) == pytest.approx(
        added(0.0, 0.1, 0.02, 0.02 * np.sqrt(_WIDEST**2 - 1)), rel=1e-9
    )


def test_signs_are_those_of_the_shift():
    assert added(-0.1, 0.2, 0.02, 0.0) == -added(0.1, 0.2, 0.02, 0.0) < 0
