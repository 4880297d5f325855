"""Parameters of a driver's impedance from what a fit reports, with derivatives."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from fit.driver.elements.unbounded import Slopes
from fit.driver.impedance import Driver
from fit.driver.models import COIL_NAMES, named
from meas.curve import ComplexArray, FloatArray
from meas.errors import Refused

_SPAN = np.linspace(math.log(1e-9), math.log(1e9), 181)
_SAME = 1e-3
"""Relative departure from the fit's own curve that a load may show: resistors are known worse."""


@dataclass(frozen=True, eq=False)
class KnownModel:
    """The model of a saved fit with its parameters.

    Attributes:
        internal: Their internal parameters, those of the coil first, shape (p,).
        slopes: For each of them the derivatives by reported parameters, by name.
    """

    driver: Driver
    internal: FloatArray
    slopes: Sequence[Mapping[str, float]]

    @property
    def symbols(self) -> tuple[str, ...]:
        """Reported parameters that the internal ones are made of."""
        return tuple(dict.fromkeys(name for row in self.slopes for name in row))

    def changed(self, changes: Mapping[str, float]) -> FloatArray:
        """Changes of the internal parameters for small ones of the reported, shape (p,)."""
        return np.array(
            [sum(k * changes.get(name, 0.0) for name, k in row.items()) for row in self.slopes]
        )


def known(name: str, values: Mapping[str, float]) -> KnownModel:
    """Find the parameters of a fit's model.

    Args:
        values: Reported parameters, ``fs`` among them.

    Raises:
        Refused: ``unknown-coil``, if this version has no such model, or if the
            takes left one of its parameters open: nothing is made of half a model.
    """
    try:
        driver = Driver(*named(name))
    except ValueError:
        text = f"the fit's model '{name}' is not known to this version; fit the takes again"
        raise Refused.because("unknown-coil", text) from None
    try:
        internal, slopes = driver.coil.internal(values)
        of_laws, law_slopes = driver.mechanics.internal(values, values["fs"])
    except KeyError as missing:
        raise _open(name, str(missing.args[0])) from None
    return KnownModel(driver, np.concatenate([internal, of_laws]), [*slopes, *law_slopes])


def in_free_air(name: str, values: Mapping[str, float]) -> KnownModel:
    """Find all parameters of `fit.driver.impedance`: the reference state first.

    Re, strength Res Rms/Mms, resonance 2 pi fs and loss 2 pi fs/Qms (R. H. Small, J. Audio Eng.
    Soc. 20(5), 1972), as logarithms.

    Args:
        values: Reported parameters, ``Re fs Qms Res`` among them.

    Raises:
        Refused: As `known`.
        KeyError: If the state is not known.
    """
    model = known(name, values)
    Re, fs, Qms, Res = (values[symbol] for symbol in ("Re", "fs", "Qms", "Res"))
    w0 = 2 * math.pi * fs
    loss = {"fs": 1 / fs, "Qms": -1 / Qms}
    slopes: Slopes = [{"Re": 1 / Re}, {"Res": 1 / Res, **loss}, {"fs": 1 / fs}, loss]
    state = np.log([Re, Res * w0 / Qms, w0, w0 / Qms])
    return KnownModel(
        model.driver, np.concatenate([state, model.internal]), [*slopes, *model.slopes]
    )


def completed(
    name: str, values: Mapping[str, float], frequency_hz: FloatArray, model_ohm: ComplexArray
) -> dict[str, float]:
    """Reported values of a fit, with one of a law that the takes leave open.

    What they leave open moves the impedance by less than its uncertainty: it is taken as in the
    fit's own curve. Where no value gives that curve, or two are open, the values come back as they
    are.

    Args:
        frequency_hz: Frequencies of the fit's curve in free air [Hz], shape (n,).
        model_ohm: The fitted model there [ohm], shape (n,).
    """
    from scipy.optimize import minimize_scalar

    try:
        laws = Driver(*named(name)).mechanics.laws
    except ValueError:
        return dict(values)
    missing = [symbol for law in laws for symbol in law.quantities if symbol not in values]
    if len(missing) != 1:
        return dict(values)
    s = np.asarray(2j * np.pi * frequency_hz)

    def away(logarithm: float) -> float:
        tried = in_free_air(name, {**values, missing[0]: math.exp(logarithm)})
        total = tried.driver.impedance(s, tried.internal).total
        return float(np.max(np.abs(total / model_ohm - 1)))

    at = int(np.clip(np.argmin([away(point) for point in _SPAN]), 1, _SPAN.size - 2))
    ends = (float(_SPAN[at - 1]), float(_SPAN[at + 1]))
    best = float(minimize_scalar(away, bounds=ends, method="bounded").x)
    return dict(values) if away(best) > _SAME else {**values, missing[0]: math.exp(best)}


def _open(name: str, missing: str) -> Refused:
    if missing == "Le":
        text = (
            "the takes did not reach up to where the inductance shows; measure up to 2 kHz at "
            "least and fit again"
        )
    else:
        simpler = "" if name in COIL_NAMES else ", or without the law behind the plus sign"
        text = (
            f"the takes leave {missing} of the model '{name}' open, so that it is no whole model; "
            f"fit with a simpler --model (plain, lossy or ladder{simpler})"
        )
    return Refused.because("unknown-coil", text)
