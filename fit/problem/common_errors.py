"""Common errors of the bench as smooth functions of the impedance.

The effect of an error is stated on the measured impedance and carries its noise. Left so, it
would pull the fit: a scale error that multiplies noise shrinks the residual by as much as it
shrinks the noise, hundreds of times over (Peelle's pertinent puzzle; G. D'Agostini, Nucl.
Instrum. Methods A 346, 1994). So each effect is written as a function of Z and frequency, and
that function evaluated on the model.
"""

from __future__ import annotations

import numpy as np

from fit.problem.curve_rows import Values
from meas.curve import ComplexArray

_MISSED = 0.02
"""Relative misfit of the function beyond which an effect is left as stated."""


def on_model(
    effect: Values,
    data: Values,
    model: Values,
    s: ComplexArray,
) -> Values:
    """Move the effect of a common error from the data to the noiseless model.

    To first order every error of a divider of two voltages is a polynomial in Z of second degree
    at most. The resistor gives Z, the ratio of the inputs Z + Z^2/R or Z + R, the input resistance
    Z^2/Ri, leads 1, and a delay any of these times s.

    Args:
        effect: Change of the data for plus one standard uncertainty [ohm], shape (n,).
        data: Measured impedance, or its magnitude [ohm].
        model: The same as modelled [ohm].
        s: Complex angular frequency [rad/s].

    Returns:
        The effect on the model; the effect as stated where it is no such function.
    """
    seen, smooth = _terms(data, s), _terms(model, s)
    weight = 1 / np.abs(data)
    scale = np.sqrt(np.sum(np.abs(seen * weight[:, None]) ** 2, axis=0))
    if data.size <= 2 * scale.size:
        seen, smooth, scale = seen[:, 1:2], smooth[:, 1:2], scale[1:2]  # Z alone
    coefficients = np.linalg.lstsq(seen * weight[:, None] / scale, effect * weight, rcond=1e-10)[0]
    missed = np.abs(seen @ (coefficients / scale) - effect)
    if np.sum((missed * weight) ** 2) > _MISSED**2 * np.sum(np.abs(effect * weight) ** 2):
        return effect
    found: Values = smooth @ (coefficients / scale)
    return found


def _terms(z: Values, s: ComplexArray) -> Values:
    """1, Z, Z^2, and these times s where the phase is known, shape (n, k)."""
    powers = np.stack([np.ones_like(z), z, z * z], axis=1)
    if np.iscomplexobj(z):
        powers = np.concatenate([powers, powers * s[:, None]], axis=1)
    return powers
