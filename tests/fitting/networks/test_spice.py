"""The driver as subcircuit, run by ngspice: impedance equals the fitted model."""

import numpy as np
import pytest
from ngspice_bench import run_ngspice

from fit.crossover.load import fitted_impedance
from fit.crossover.spice import subcircuit
from fit.driver.impedance import Driver
from fit.driver.models import COIL_NAMES, LAW_NAMES, named
from meas.errors import Refused

STATE = {"Re": 5.9, "fs": 47.3, "Qms": 4.1, "Res": 31.0}
COILS = {
    "plain": {"Le": 0.41e-3},
    "ladder": {"L1": 0.2e-3, "L2": 0.5e-3, "R2": 3.3},
    "ladder4": {
        "L1": 0.1e-3, "L2": 0.5e-3, "R2": 1.3, "L3": 0.2e-3, "R3": 3.0, "L4": 0.1e-3, "R4": 9.0,
    },
    "lossy": {"K": 0.021, "n": 0.66},
}  # fmt: skip
FRAME = {"frame": 0.03, "f_frame": 14.0, "Q_frame": 5.0}  # not in the circuit: it is held there
MECHANICS = {
    "": {},
    "+frame": FRAME,
    "+creep+frame": {"creep": 0.12, **FRAME},
    "+relaxing+frame": {"give": 0.3, "f_give": 11.0, **FRAME},
    "+creep": {"creep": 0.12},
    "+relaxing": {"give": 0.3, "f_give": 11.0},
    "+former": {"brake": 0.15, "f_former": 900.0, "R_former": 2.5},
    "+creep+former": {"creep": 0.08, "brake": 0.1, "f_former": 1500.0, "R_former": 4.0},
    "+relaxing+former": {
        "give": 0.2, "f_give": 25.0, "brake": 0.1, "f_former": 1500.0, "R_former": 0.3,
    },
}  # fmt: skip


def coil(s, v):
    """From the formulas of the models."""
    if "K" in v:
        return v["K"] * s ** v["n"]
    if "Le" in v:
        return s * v["Le"]
    total = s * v["L1"]
    for k in range(2, 5):
        if f"L{k}" in v:
            total = total + s * v[f"L{k}"] * v[f"R{k}"] / (s * v[f"L{k}"] + v[f"R{k}"])
    return total


def motion(s, v):
    """From the definitions: the spring's stiffness and its loss at resonance taken as unity.

    A ring of resistance Rf = 1 and inductance tau in a field of length times Bf (Faraday, Ohm;
    any Rf, for only ratios show), M its mutual inductance with the coil, at whose terminals stand
    -(sM)^2/zr and a force factor of Bl - Bf sM/zr, zr = 1 + s tau.
    """
    ws = 2 * np.pi * v["fs"]

    def spring(x):
        compliance = 1 - v.get("creep", 0.0) * np.log10(x)
        if "give" in v:
            compliance = compliance + v["give"] / (1 + x * v["fs"] / v["f_give"])
        total = 1 / compliance
        if "brake" in v:
            total = total + v["brake"] * x / (1 + x * v["fs"] / v["f_former"])
        return total

    x, here = s / ws, spring(1j)
    viscous = here.real / v["Qms"] - here.imag
    z = here.real * v["Res"] / v["Qms"] * x / (here.real * x * x + viscous * x + spring(x))
    if "R_former" not in v:
        return z
    mass = 1.0  # of the moving parts: cancels
    Bl = np.sqrt(v["Res"] * ws * mass / v["Qms"])
    Bf = np.sqrt(v["brake"] / here.real * ws * mass)
    tau = 1 / (2 * np.pi * v["f_former"])
    M = tau * np.sqrt(v["R_former"])
    zr = 1 + s * tau
    # Of the coil's inductance that part which is coupled, M^2/tau, is counted here.
    return s * M**2 / tau - (s * M) ** 2 / zr + z * ((Bl - Bf * s * M / zr) / Bl) ** 2


def seen(values, model, folder):
    text = subcircuit("unit 7, left", values, model, 10.0, 20e3, ("made in a test",))
    vectors = run_ngspice(
        [*text.splitlines(), "I1 0 in AC 1", "X1 in 0 unit_7__left", ".ac dec 50 10 20000"],
        folder,
    )
    return 2j * np.pi * vectors["frequency"].real, vectors["v(in)"]


@pytest.mark.ngspice
@pytest.mark.parametrize(
    "model", [*COILS, *(f"plain{laws}" for laws in MECHANICS if laws), "ladder4+creep+former"]
)
def test_ngspice_sees_the_fitted_impedance(model, tmp_path):
    first, plus, laws = model.partition("+")
    values = STATE | COILS[first] | MECHANICS[plus + laws]
    s, z = seen(values, model, tmp_path)
    expected = values["Re"] + coil(s, values) + motion(s, values)
    # 1e-6 of |Z|: exact circuits agree to rounding, expansions to their own bounds.
    assert np.max(abs(z / expected - 1)) < 1e-6


@pytest.mark.ngspice
def test_the_steepest_creep(tmp_path):
    """Its compliance ends 3.4 decades above resonance, where the chain must end too, which costs
    the loss at resonance a part in 2500 of itself, eightfold in the impedance of a Qms of 8. A
    law that takes more than that loss leaves a negative resistance beside it."""
    values = STATE | COILS["plain"] | {"creep": 0.29, "Qms": 8.0}
    s, z = seen(values, "plain+creep", tmp_path)
    expected = values["Re"] + coil(s, values) + motion(s, values)
    assert np.max(abs(z / expected - 1)) < 1e-3
    assert "negative" in subcircuit("x", values, "plain+creep")


@pytest.mark.ngspice
@pytest.mark.parametrize("name", [coil + laws for coil in COIL_NAMES for laws in ("", *LAW_NAMES)])
def test_every_model_has_its_circuit_or_says_so(name, tmp_path):
    """The impedance that boxes and crossovers are computed with; parameters where none is known."""
    driver = Driver(*named(name))
    own = driver.coil.reported(driver.coil.typical) | driver.mechanics.reported(
        driver.mechanics.typical, STATE["fs"]
    )
    values = STATE | {"Le": 0.3e-3} | {symbol: value for symbol, (value, _) in own.items()}
    if driver.coil.circuit(driver.coil.typical, (10.0, 20e3)) is None:
        with pytest.raises(Refused, match="no-circuit"):
            subcircuit("x", values, name)
        return
    s, z = seen(values, name, tmp_path)
    expected = fitted_impedance(s.imag / (2 * np.pi), values, name)
    # A typical creep of 0.1 is within 3e-6 (`fit.driver.laws.creep`).
    assert np.max(abs(z / expected - 1)) < 3e-6


def test_every_law_is_told_by_its_formula():
    assert set(MECHANICS) == {"", *LAW_NAMES}


def test_an_empirical_coil_is_refused():
    values = STATE | {"Kr": 0.01, "Xr": 0.7, "Ki": 0.02, "Xi": 0.75, "creep": 0.1}
    for model in ("empirical", "empirical+creep"):
        with pytest.raises(Refused, match="no-circuit") as refused:
            subcircuit("x", values, model)
        assert f"--model {model.replace('empirical', 'lossy')}" in str(refused.value)


@pytest.mark.parametrize(
    ("model", "gone"), [("ladder4", "R4"), ("lossy+creep", "creep"), ("plain+former", "f_former")]
)
def test_half_a_model_is_refused(model, gone):
    """A parameter that the takes leave open is not reported: a circuit without it is another."""
    first, plus, laws = model.partition("+")
    values = STATE | COILS[first] | MECHANICS[plus + laws]
    del values[gone]
    with pytest.raises(Refused, match=f"leave {gone} of the model '{model.split('+')[0]}"):
        subcircuit("x", values, model)
    with pytest.raises(Refused, match="not known to this version"):
        subcircuit("x", values, "spiral")
