"""The driver as subcircuit, run by ngspice: impedance equals the fitted model."""

import numpy as np
import pytest
from ngspice_bench import run_ngspice

from fit.driver import motional
from fit.spice import subcircuit
from meas.errors import Refused

VALUES = {
    "plain": {"Re": 5.9, "fs": 47.3, "Qms": 4.1, "Res": 31.0, "Le": 0.41e-3},
    "ladder": {
        "Re": 5.9, "fs": 47.3, "Qms": 4.1, "Res": 31.0, "L1": 0.2e-3, "L2": 0.5e-3, "R2": 3.3,
    },
    "lossy": {"Re": 5.9, "fs": 47.3, "Qms": 4.1, "Res": 31.0, "K": 0.021, "n": 0.66},
}  # fmt: skip


def coil(model, s, v):
    if model == "plain":
        return s * v["Le"]
    if model == "ladder":
        return s * v["L1"] + s * v["L2"] * v["R2"] / (s * v["L2"] + v["R2"])
    return v["K"] * s ** v["n"]


@pytest.mark.ngspice
@pytest.mark.parametrize("model", VALUES)
def test_ngspice_sees_the_fitted_impedance(model, tmp_path):
    values = VALUES[model]
    text = subcircuit("unit 7, left", values, model, 10.0, 20e3, ("made in a test",))
    vectors = run_ngspice(
        [*text.splitlines(), "I1 0 in AC 1", "X1 in 0 unit_7__left", ".ac dec 50 10 20000"],
        tmp_path,
    )
    f, z = vectors["frequency"].real, vectors["v(in)"]
    s = 2j * np.pi * f
    omega = 2 * np.pi * values["fs"]
    z_motion, _ = motional(
        s, values["Res"] * omega / values["Qms"], 1.0, omega / values["Qms"], omega**2
    )
    expected = values["Re"] + coil(model, s, values) + z_motion
    # 1e-6 of |Z|: exact circuits agree to rounding, the power law's expansion to its own bound.
    assert np.max(abs(z / expected - 1)) < 1e-6


def test_a_model_without_a_circuit_is_refused():
    with pytest.raises(Refused, match="no-circuit"):
        subcircuit("x", VALUES["plain"], "empirical")
