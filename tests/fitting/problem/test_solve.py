"""The least-squares path against certified data."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from fit.numerics.covariance import covariance
from fit.numerics.least_squares import least_squares

NIST = Path(__file__).resolve().parents[3] / "fixtures" / "published" / "nist"

# Model equations as stated in the header of each file.
MODELS = {
    "Misra1a": lambda b, x: b[0] * (1 - np.exp(-b[1] * x)),
    "Chwirut2": lambda b, x: np.exp(-b[0] * x) / (b[1] + b[2] * x),
    "DanWood": lambda b, x: b[0] * x ** b[1],
    "MGH09": lambda b, x: b[0] * (x**2 + x * b[1]) / (x**2 + x * b[2] + b[3]),
    "Thurber": lambda b, x: (
        (b[0] + b[1] * x + b[2] * x**2 + b[3] * x**3) / (1 + b[4] * x + b[5] * x**2 + b[6] * x**3)
    ),
    "Hahn1": lambda b, x: (
        (b[0] + b[1] * x + b[2] * x**2 + b[3] * x**3) / (1 + b[4] * x + b[5] * x**2 + b[6] * x**3)
    ),
    "Rat43": lambda b, x: b[0] / (1 + np.exp(b[1] - b[2] * x)) ** (1 / b[3]),
}


def _read(name):
    lines = (NIST / f"{name}.dat").read_text(encoding="ascii").splitlines()
    rows = [line.split("=")[1].split() for line in lines[40:60] if "=" in line][: _count(lines)]
    table = np.array(rows, dtype=float)
    data = np.array([line.split() for line in lines[60:] if line.strip()], dtype=float)
    return table[:, :2].T, table[:, 2], table[:, 3], data[:, 1], data[:, 0]


def _count(lines):
    return sum(line.lstrip().startswith("b") and "=" in line for line in lines[40:60])


@pytest.mark.parametrize("start", [0, 1])
@pytest.mark.parametrize("name", list(MODELS))
def test_certified_values_from_both_starts(name, start):
    """NIST StRD: six certified digits; the sum of squares is flat to rounding within seven."""
    starts, certified, deviation, x, y = _read(name)
    model = MODELS[name]

    def residual(b):
        return np.real(model(b, x)) - y

    def jacobian(b):
        steps = 1e-30j * np.eye(b.size)  # complex step: exact to rounding
        return np.array([np.imag(model(b + step, x)) / 1e-30 for step in steps]).T

    found = least_squares(residual, jacobian, starts[start], tolerance=1e-14, evaluations=5000)
    assert found.converged
    np.testing.assert_allclose(found.values, certified, rtol=1e-6)
    spread = np.sqrt(np.diag(covariance(jacobian(found.values))))
    spread = spread * np.sqrt(found.cost / (y.size - certified.size))
    np.testing.assert_allclose(spread, deviation, rtol=1e-5)


def test_a_run_that_is_cut_short_says_so():
    starts, _, _, x, y = _read("MGH09")
    model = MODELS["MGH09"]
    found = least_squares(
        lambda b: model(b, x) - y,
        lambda b: np.array([np.imag(model(b + step, x)) / 1e-30 for step in 1e-30j * np.eye(4)]).T,
        starts[0],
        evaluations=4,
    )
    assert not found.converged
