"""Coil models: limits, derivatives, what they report."""

from __future__ import annotations

import numpy as np
import pytest

from fit.driver.coils.empirical import Empirical
from fit.driver.coils.ladder import Ladder
from fit.driver.coils.lossy import Lossy
from fit.driver.coils.plain import Plain
from fit.driver.models import COILS

OMEGA = 2 * np.pi * np.geomspace(10, 40e3, 60)
S = 1j * OMEGA
TYPICAL = {
    "plain": np.log([0.4e-3]),
    "lossy": np.array([np.log(3.2), 0.3]),
    "ladder": np.log([0.15e-3, 0.5e-3, 6.0]),
    "empirical": np.array([np.log(1.8), -0.4, np.log(2.4), 0.2]),
    "ladder3": np.log([0.1e-3, 0.9e-3, 2.0, 0.2e-3, 9.0]),
    "ladder4": np.log([0.1e-3, 0.9e-3, 2.0, 0.2e-3, 9.0, 0.1e-3, 30.0]),
}


def usual(model):
    """Internal parameters beside those where the data say nothing."""
    return TYPICAL.get(model.name, model.typical + 0.1)


def five_point(function, x, step=2e-3):
    """Central difference of fourth order: error step^4/30, below 1e-11 here."""
    return (
        8 * (function(x + step) - function(x - step))
        - (function(x + 2 * step) - function(x - 2 * step))
    ) / (12 * step)


@pytest.mark.parametrize("model", COILS, ids=lambda model: model.name)
def test_derivatives(model):
    internal = usual(model)
    z, slopes = model.impedance(S, internal)
    assert slopes.shape == (model.size, S.size)
    for k in range(model.size):

        def along(x, k=k):
            shifted = internal.copy()
            shifted[k] = x
            return model.impedance(S, shifted)[0]

        expected = five_point(along, internal[k])
        np.testing.assert_allclose(slopes[k], expected, atol=1e-9 * np.max(np.abs(z)), rtol=0)


@pytest.mark.parametrize("model", COILS, ids=lambda model: model.name)
def test_a_coil_is_a_short_at_zero_frequency_and_passive_everywhere(model):
    assert abs(model.impedance(np.array([1e-9j]), usual(model))[0][0]) < 1e-3
    z = model.impedance(S, usual(model))[0]
    assert np.all(z.real >= 0)
    assert np.all(z.imag > 0)


@pytest.mark.parametrize("model", COILS, ids=lambda model: model.name)
def test_starting_values_reproduce_the_linear_combination_they_come_from(model):
    for shape in model.shapes:
        basis = model.basis(S, shape)
        coefficients = np.linspace(1.0, 2.0, basis.shape[1])
        if np.max(np.abs(basis)) > 1e3:  # columns of inductors, in 1/s
            coefficients = coefficients * 1e-4
        z = model.impedance(S, model.start(shape, coefficients))[0]
        np.testing.assert_allclose(z, model.basis(S, shape) @ coefficients, rtol=1e-12)


def test_ladder_limits():
    """Low: all inductors in series. High: the first alone, the losses in series with it."""
    for name, sections in (("ladder", 1), ("ladder3", 2), ("ladder4", 3)):
        model = next(m for m in COILS if m.name == name)
        assert isinstance(model, Ladder)
        values = np.exp(TYPICAL[name])
        low, high = np.array([1e-3j]), np.array([1e12j])
        assert len(values) == 1 + 2 * sections
        inductance = model.impedance(low, TYPICAL[name])[0][0].imag / 1e-3
        assert inductance == pytest.approx(values[0] + sum(values[1::2]), rel=1e-9)
        z = model.impedance(high, TYPICAL[name])[0][0]
        assert z.imag / 1e12 == pytest.approx(values[0], rel=1e-9)
        assert z.real == pytest.approx(sum(values[2::2]), rel=1e-9)


def test_ladder_reports_sections_by_rising_corner():
    model = next(m for m in COILS if m.name == "ladder3")
    one = np.log([1e-4, 9e-4, 2.0, 2e-4, 9.0])
    other = np.log([1e-4, 2e-4, 9.0, 9e-4, 2.0])
    assert model.reported(one) == model.reported(other)
    assert model.reported(one)["R2"][0] == pytest.approx(2.0)


def test_lossy_coil_is_the_published_parallel_circuit():
    """K (jw)^n is Rp = K w^n/cos(n pi/2) parallel to Lp = K w^(n-1)/sin(n pi/2).

    W. M. Leach, J. Audio Eng. Soc. 50(6), 2002 (structure), algebra by hand.
    """
    model = Lossy()
    reported = model.reported(TYPICAL["lossy"])
    K, n = reported["K"][0], reported["n"][0]
    Rp = K * OMEGA**n / np.cos(n * np.pi / 2)
    Lp = K * OMEGA ** (n - 1) / np.sin(n * np.pi / 2)
    circuit = 1 / (1 / Rp + 1 / (1j * OMEGA * Lp))
    np.testing.assert_allclose(model.impedance(S, TYPICAL["lossy"])[0], circuit, rtol=1e-11)


def test_lossy_coil_between_diffusion_and_inductance():
    model = Lossy()
    diffusion = model.impedance(S, np.array([1.0, -40.0]))[0]
    np.testing.assert_allclose(np.angle(diffusion, deg=True), 45.0, atol=1e-6)
    inductance = model.impedance(S, np.array([1.0, 40.0]))[0]
    np.testing.assert_allclose(np.angle(inductance, deg=True), 90.0, atol=1e-6)


def test_plain_coil():
    np.testing.assert_allclose(Plain().impedance(S, np.log([0.4e-3]))[0], S * 0.4e-3, rtol=1e-14)


def test_empirical_coil_is_two_power_laws():
    """Z = Kr w^Xr + j Ki w^Xi (J. R. Wright, J. Audio Eng. Soc. 38(10), 1990)."""
    model = Empirical()
    internal = TYPICAL["empirical"]
    values = {name: value for name, (value, _) in model.reported(internal).items()}
    expected = values["Kr"] * OMEGA ** values["Xr"] + 1j * values["Ki"] * OMEGA ** values["Xi"]
    np.testing.assert_allclose(model.impedance(S, internal)[0], expected, rtol=1e-11)


def test_a_model_that_grows_starts_as_the_simpler_one():
    """Exactly (empirical from lossy), or with a small section more (a ladder)."""
    lossy = Lossy().impedance(S, TYPICAL["lossy"])[0]
    (start,) = Empirical().grown(TYPICAL["lossy"])
    np.testing.assert_allclose(Empirical().impedance(S, start)[0], lossy, rtol=1e-11)
    models = {model.name: model for model in COILS}
    simpler = models["ladder3"].impedance(S, TYPICAL["ladder3"])[0]
    for start in models["ladder4"].grown(TYPICAL["ladder3"]):
        grown = models["ladder4"].impedance(S, start)[0]
        # half the smallest inductor is added: at most a quarter of the whole here
        assert np.all(np.abs(grown - simpler) <= 0.5 * np.abs(simpler))
