"""Models by name: parameters there and back, motion, words."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.optimize import brentq

from fit.driver.mechanics import MECHANICS
from fit.driver.named_model import COILS, LAWS, known, motion, named
from fit.driver.voicecoil import MODELS
from fit.results.model_words import doubts, in_words, loss_shares, tell
from fit.results.quantities import OF_COILS, OF_LAWS, QUANTITIES
from fit.results.result import DriverFit, Estimate
from meas.errors import Refused

FS = 47.0
X = 1j * np.geomspace(0.05, 40, 50)
NAMES = [coil + laws for coil in COILS for laws in ("", *LAWS)]


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
    np.testing.assert_allclose(np.sort(model.of_coil), np.sort(coil.typical), atol=1e-12)
    np.testing.assert_allclose(model.of_laws, mechanics.typical, rtol=1e-12)
    for symbol in model.symbols:
        up, down = (
            known(name, values | {symbol: values[symbol] * (1 + step)}).internal for step in (h, -h)
        )
        slope = model.moved({symbol: values[symbol]})
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


@pytest.mark.parametrize("mechanics", MECHANICS, ids=lambda mechanics: mechanics.name or "ideal")
def test_motion(mechanics) -> None:
    """1 at resonance by definition; derivatives against differences, whose error is (Q h)^2."""
    Q, internal, h = 3.0, mechanics.typical, 1e-5
    z, slopes = motion(X, Q, mechanics, internal)
    at, _ = motion(np.array([1j]), Q, mechanics, internal)
    assert at[0] == pytest.approx(1.0, abs=1e-12)
    pairs = [
        [motion(X * math.exp(-step), Q, mechanics, internal)[0] for step in (h, -h)],
        [motion(X, Q * math.exp(step), mechanics, internal)[0] for step in (h, -h)],
        *(
            [motion(X, Q, mechanics, internal + step * one)[0] for step in (h, -h)]
            for one in np.eye(internal.size)
        ),
    ]
    for row, (up, down) in zip(slopes, pairs, strict=True):
        np.testing.assert_allclose((up - down) / (2 * h), row, rtol=0, atol=1e-6)
    if not mechanics.laws:  # R. H. Small, J. Audio Eng. Soc. 20(5), 1972
        np.testing.assert_allclose(z, 1 / (1 + 1j * Q * (X.imag - 1 / X.imag)), rtol=1e-12)


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
    assert [finding.code for finding in tell(fit)] == codes
    assert all(" nan" not in f.text and "e+" not in f.text for f in tell(fit))


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


def test_the_typical_coil_is_listed() -> None:
    assert tuple(coil.name for coil in MODELS) == COILS
