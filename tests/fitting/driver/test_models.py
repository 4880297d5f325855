"""Models by name: parameters there and back, motion, words."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.optimize import brentq

from fit.driver.coils.plain import Plain
from fit.driver.from_reported import in_free_air, known
from fit.driver.impedance import Driver
from fit.driver.models import COIL_NAMES, LAW_NAMES, MECHANICS, OF_COILS, OF_LAWS, named
from fit.results.model_findings import doubts, of_laws
from fit.results.model_words import in_words, loss_shares
from fit.results.quantities import QUANTITIES
from fit.results.result import DriverFit, Estimate
from meas.errors import Refused

FS = 47.0
S = 2j * np.pi * FS * np.geomspace(0.05, 40, 50)
NAMES = [coil + laws for coil in COIL_NAMES for laws in ("", *LAW_NAMES)]


def reported(name: str) -> dict[str, float]:
    coil, mechanics = named(name)
    found = {**coil.reported(coil.typical), **mechanics.reported(mechanics.typical, FS)}
    values = {symbol: value for symbol, (value, _) in found.items()} | {"fs": FS}
    return values | {"Le": math.exp(coil.typical[0])} if coil.name == "plain" else values


@pytest.mark.parametrize("name", NAMES)
def test_parameters_come_back(name: str) -> None:
    """To rounding; the derivatives against central differences with an error of h^2."""
    values, h = reported(name), 1e-5
    model = known(name, values)
    coil, mechanics = named(name)
    of_coil, of_laws = np.split(model.internal, [coil.size])
    np.testing.assert_allclose(np.sort(of_coil), np.sort(coil.typical), atol=1e-12)
    np.testing.assert_allclose(of_laws, mechanics.typical, rtol=1e-12)
    for symbol in model.symbols:
        up, down = (
            known(name, values | {symbol: values[symbol] * (1 + step)}).internal for step in (h, -h)
        )
        slope = model.changed({symbol: values[symbol]})
        np.testing.assert_allclose((up - down) / (2 * h), slope, rtol=1e-7, atol=1e-7)


@pytest.mark.parametrize("name", NAMES)
def test_every_parameter_has_a_name(name: str) -> None:
    own = set(reported(name)) - {"fs", "Le"}
    assert own <= OF_COILS.keys() | OF_LAWS.keys()
    assert not own & QUANTITIES.keys()  # those are aims of a build, and compared under any model
    coil, _ = named(name)
    assert all(symbol in OF_LAWS for symbol in own - coil.reported(coil.typical).keys())


def test_names_that_are_none() -> None:
    for name in ("", "coil", "lossy+", "lossy+spring", "+creep", "lossy+former+creep"):
        with pytest.raises(ValueError, match="there are plain, lossy"):
            named(name)
        with pytest.raises(Refused, match="not known to this version"):
            known(name, {"fs": FS})


def test_half_a_model_is_none() -> None:
    values = reported("ladder3+former")
    for symbol in ("L1", "R3", "f_former"):
        with pytest.raises(Refused, match=f"leave {symbol} of the model 'ladder3"):
            known("ladder3+former", {k: v for k, v in values.items() if k != symbol})
    with pytest.raises(Refused, match="did not reach up to where the inductance shows"):
        known("plain", {"fs": FS})


@pytest.mark.parametrize("name", NAMES)
def test_derivatives_of_the_impedance(name: str) -> None:
    """By every parameter, against differences whose error is (Q h)^2 of the motional part."""
    driver, h = Driver(*named(name)), 1e-5
    state = np.log([5.9, 31.0 * 72.0, 2 * np.pi * FS, 72.0])
    theta = np.concatenate([state, driver.typical])
    slopes = driver.impedance(S, theta).by_parameter(driver.size)
    for row, step in zip(slopes, h * np.eye(driver.size), strict=True):
        up, down = (driver.impedance(S, theta + sign * step).total for sign in (1, -1))
        np.testing.assert_allclose((up - down) / (2 * h), row, rtol=0, atol=1e-6 * 37)


@pytest.mark.parametrize("name", NAMES)
def test_one_impedance(name: str) -> None:
    """With derivatives or without, at once or in parts, in free air or in a box of no stiffness.

    A frame that moves is in the impedance of a take, and not in that of the driver held still.
    """
    driver = Driver(*named(name))
    theta = np.concatenate([np.log([5.9, 31.0 * 72.0, 2 * np.pi * FS, 72.0]), driver.typical])
    whole = driver.impedance(S, theta)
    held = driver.blocked(S, theta) + driver.motion(S, theta)
    if driver.mechanics.beside is None:
        np.testing.assert_allclose(held, whole.total, rtol=1e-13)
        np.testing.assert_allclose(driver.motion(S, theta), whole.motion, rtol=1e-12)
    else:
        assert np.max(np.abs(held / whole.total - 1)) > 1e-2
    both = np.stack([theta, theta + 0.1]).T[:, :, None]
    together = driver.impedance(S, both).total
    np.testing.assert_allclose(together[1], driver.impedance(S, theta + 0.1).total, rtol=1e-12)


@pytest.mark.parametrize("mechanics", MECHANICS, ids=lambda mechanics: mechanics.name or "ideal")
def test_motion_at_resonance_is_res(mechanics) -> None:
    """By definition, whatever the law; an ideal spring everywhere as R. H. Small, J. Audio Eng.
    Soc. 20(5), 1972. A ring turns the force, so that its driver shows less."""
    values = {"Re": 5.9, "fs": FS, "Qms": 4.1, "Res": 31.0, "Le": 1e-4, "L1": 1e-4}
    own = mechanics.reported(mechanics.typical, FS)
    model = in_free_air(
        "plain" + mechanics.name, values | {symbol: value for symbol, (value, _) in own.items()}
    )
    at = np.array([2j * np.pi * FS])
    motion, force = (f(at, model.internal) for f in (model.driver.motion, model.driver.force))
    assert motion / force**2 == pytest.approx(31.0, rel=1e-12)
    if not mechanics.laws:
        x = S / (2 * np.pi * FS)
        expected = 31.0 / (1 + 4.1 * (x + 1 / x))
        np.testing.assert_allclose(model.driver.motion(S, model.internal), expected, rtol=1e-12)


@pytest.mark.parametrize("name", NAMES)
def test_the_state_moves_as_stated(name: str) -> None:
    """Derivatives of the whole vector by what is reported; differences err by h^2."""
    values, h = reported(name) | {"Re": 5.9, "Qms": 4.1, "Res": 31.0}, 1e-5
    model = in_free_air(name, values)
    for symbol in model.symbols:
        up, down = (
            in_free_air(name, values | {symbol: values[symbol] * (1 + step)}).internal
            for step in (h, -h)
        )
        slope = model.changed({symbol: values[symbol]})
        np.testing.assert_allclose((up - down) / (2 * h), slope, rtol=1e-7, atol=1e-7)


def fit_of(model: str, **values: float) -> DriverFit:
    values = {"fs": FS, "Qms": 4.0} | values
    parameters = {
        name: Estimate(value, "Hz" if name[0] == "f" else "1", {f"random:{name}": 0.01 * value})
        for name, value in values.items()
    }
    return DriverFit(model, parameters, ())


def test_shares_of_the_loss() -> None:
    """From the parts: a suspension whose compliance has an imaginary part of pi/2 creep/ln 10
    (M. H. Knudsen, J. G. Jensen 1993) and a ring of 1/Q = brake, both over the whole 1/Qms."""
    fit = fit_of("lossy+creep+former", creep=0.1, brake=0.05, f_former=20e3, R_former=1.0)
    creep = 1 / (1 - 0.1j * math.pi / 2 / math.log(10))
    delay = FS / 20e3
    ring = 0.05j / (1 + 1j * delay)
    whole = (creep + ring).real
    shares = loss_shares(fit.parameters)
    assert shares["creep"] == pytest.approx(4.0 * creep.imag / whole, rel=1e-9)
    assert shares["former"] == pytest.approx(4.0 * ring.imag / whole, rel=1e-9)
    assert loss_shares(fit_of("lossy").parameters) == {}


@pytest.mark.parametrize(
    ("model", "values", "words", "codes"),
    [
        ("lossy", {}, "lossy inductance", []),
        ("ladder3", {}, "ladder of three inductors", []),
        (
            "lossy+creep", {"creep": 0.1},
            "lossy inductance; suspension creeps 10 % per decade of frequency",
            ["suspension-creeps"],
        ),
        (
            "plain+relaxing", {"give": 0.2, "f_give": 14.2},
            "lossless inductance; suspension gives 20 % more below 14 Hz", ["suspension-gives"],
        ),
        (
            "ladder+creep+former",
            {"creep": 0.05, "brake": 0.1, "f_former": 1580.0, "R_former": 3.0},
            "ladder of two inductors; suspension creeps 5 % per decade of frequency; a ring brakes "
            "below 1580 Hz",
            ["suspension-creeps", "ring-brakes"],
        ),
        (
            "lossy+former", {"f_former": 900.0},  # brake is left open by the takes
            "lossy inductance; a ring brakes below 900 Hz", [],
        ),
    ],
)  # fmt: skip
def test_words(model: str, values: dict[str, float], words: str, codes: list[str]) -> None:
    fit = fit_of(model, **values)
    assert in_words(model, fit.parameters) == words
    assert [finding.code for finding in of_laws(fit)] == codes
    assert all(" nan" not in f.text and "e+" not in f.text for f in of_laws(fit))


def test_doubts_about_models() -> None:
    """Creep of 0.2 takes 0.136 of 1/Qms: more than all from a Qms of 7.5 on."""
    edge = brentq(lambda Q: loss_shares(fit_of("", creep=0.2, Qms=Q).parameters)["creep"] - 1, 5, 9)
    band = (20.0, 5e3)
    for Qms, codes in ((0.99 * edge, []), (1.01 * edge, []), (1.1 * edge, ["law-overdone"])):
        fit = fit_of("lossy+creep", creep=0.2, Qms=Qms)
        found = doubts(fit.model, fit.parameters, band)
        assert [finding.code for finding in found] == codes, Qms
    (found,) = doubts("empirical", {}, band)
    assert found.code == "coil-without-circuit"
    assert "20 to 5000 Hz" in found.text


def test_a_model_of_another_version_keeps_its_name() -> None:
    assert in_words("spiral+spring", {}) == "spiral+spring"


def test_plain_is_the_simplest() -> None:
    assert COIL_NAMES[0] == Plain.name
