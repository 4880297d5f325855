"""The driver's impedance and the Jacobian of the joint problem."""

from __future__ import annotations

from dataclasses import replace

import driver_bench as bench
import numpy as np
import pytest

from fit.driver.impedance import motional
from fit.driver.mechanics import IDEAL
from fit.driver.models import COILS, MECHANICS
from fit.problem.joint_problem import Problem
from meas.curve import MagnitudeCurve, Systematic


def test_motional_impedance_is_that_of_the_mechanical_elements():
    d = bench.WOOFER
    s = 2j * np.pi * bench.FREQUENCY
    z, _ = motional(s, d.Bl**2 / d.Mms, 1.0, d.Rms / d.Mms, 1 / (d.Mms * d.Cms))
    expected = replace(d, Re=0.0, K=0.0).impedance(bench.FREQUENCY)
    np.testing.assert_allclose(z, expected, rtol=1e-12)
    loaded, _ = motional(s, d.Bl**2 / d.Mms, 1 + 0.008 / d.Mms, d.Rms / d.Mms, 1 / (d.Mms * d.Cms))
    expected = replace(d, Re=0.0, K=0.0).impedance(bench.FREQUENCY, mass=0.008)
    np.testing.assert_allclose(loaded, expected, rtol=1e-12)


def test_limits():
    """Below resonance the spring's s Bl^2 Cms, above it the mass's Bl^2/(s Mms)."""
    d = bench.WOOFER
    values = (d.Bl**2 / d.Mms, 1.0, d.Rms / d.Mms, 1 / (d.Mms * d.Cms))
    low, high = np.array([1e-4j]), np.array([1e8j])
    assert motional(low, *values)[0][0] == pytest.approx(low[0] * d.Bl**2 * d.Cms, rel=1e-6)
    assert motional(high, *values)[0][0] == pytest.approx(d.Bl**2 / (high[0] * d.Mms), rel=1e-5)


def _takes(kind):
    rng = np.random.default_rng(3)
    d = bench.WOOFER
    f = np.geomspace(12, 9e3, 60)

    def curve(**condition):
        measured = bench.curve(d.impedance(f, **condition), rng, frequency=f)
        z = measured.impedance_ohm
        more = (
            Systematic("mismatch-gain:bench", "", 1e-3 * z * (1 + z / 10)),
            Systematic("mismatch-delay:bench", "", 1e-8j * 2 * np.pi * f * z),
        )
        measured = replace(measured, systematics=measured.systematics + more)
        if kind == "complex":
            return measured
        return MagnitudeCurve(
            f,
            measured.magnitude_ohm,
            measured.standard_uncertainty_ohm,
            (Systematic("resistor:bench", "", measured.magnitude_ohm * 0.005),),
        )

    return [
        bench.free("a", curve()),
        bench.free("b", curve()),
        bench.loaded("c", curve(mass=0.008), 0.008),
        bench.boxed("d", curve(volume=0.012), 0.012, 2e-4),
    ]


EVERY_MODEL = [*((coil, IDEAL) for coil in COILS), *((COILS[1], law) for law in MECHANICS[1:])]


@pytest.mark.parametrize(
    ("coil", "mechanics"), EVERY_MODEL, ids=[coil.name + law.name for coil, law in EVERY_MODEL]
)
@pytest.mark.parametrize("kind", ["complex", "magnitude"])
def test_jacobian_of_the_whole_problem(kind, coil, mechanics):
    """Against central differences of fourth order, to 1e-7 of each column's size."""
    session = replace(
        bench.with_area(0.0137, 2e-4),
        measured_re=bench.stated(6.25, 0.05, "multimeter"),
        moving_parts=bench.stated(0.0118, 1e-4, "moving-parts"),
    )
    problem = Problem(_takes(kind), session, coil, mechanics)
    problem.variance = [(0.01 * np.abs(take.data)) ** 2 for take in problem.takes]
    rng = np.random.default_rng(8)
    theta = 0.3 * rng.standard_normal(problem.size)
    d = bench.WOOFER
    theta[:4] = np.log([d.Re, d.Bl**2 / d.Mms, (d.Mms * d.Cms) ** -0.5, d.Rms / d.Mms])
    theta[problem.driver.columns] = problem.driver.typical
    theta[problem.mass_column] = np.log(0.013)
    theta[problem.volume_column] = np.log(0.03)
    theta[problem.takes[3].departures["leak"]] = 0.03
    problem = problem.with_errors_on(theta)
    jacobian = problem.jacobian(theta)
    # Errors that bend a curve are not estimated; their effect on the rows is stated apart.
    for source, effect in problem.shape_error_effects(theta).items():
        jacobian[:, problem.error_columns[source]] += effect
    assert jacobian.shape == (problem.residual(theta).size, theta.size)
    h = 3e-4
    for column, name in enumerate(problem.names):
        e = np.zeros(theta.size)
        e[column] = h
        expected = (
            8 * (problem.residual(theta + e) - problem.residual(theta - e))
            - (problem.residual(theta + 2 * e) - problem.residual(theta - 2 * e))
        ) / (12 * h)
        size = np.max(np.abs(expected))
        assert size > 0, name
        np.testing.assert_allclose(
            jacobian[:, column], expected, rtol=0, atol=1e-7 * size, err_msg=name
        )


def test_rows_are_accounted_for():
    problem = Problem(_takes("complex"), bench.SESSION, COILS[0])
    assert [r.first for r in problem.rows[1:]] == [r.last for r in problem.rows[:-1]]
    problem.variance = [np.abs(take.data) ** 2 for take in problem.takes]
    assert problem.rows[-1].last == problem.residual(np.zeros(problem.size)).size
