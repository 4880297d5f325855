"""A driver from a saved fit with its uncertainty: what boxes are computed from.

The vector holds logarithms of Re, fs, Qms, Qes, Vas and Mms, then the internal parameters of the
coil and of the laws of suspension and former.
Each error source of the fit moves it as a whole, so that whatever is computed from it keeps the
correlations of the parameters.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from fit.driver.coils.plain import Plain
from fit.driver.elements.quantity import rounded
from fit.driver.from_reported import KnownModel, known
from fit.driver.impedance import STATE_SIZE, Driver
from fit.results.error_sources import along
from fit.results.result import DriverFit, Estimate, widest
from meas.curve import ComplexArray, FloatArray
from meas.errors import Finding, Refused

STATE = ("Re", "fs", "Qms", "Qes", "Vas", "Mms")
"""Quantities whose logarithms are the first parameters."""

_OF_STATE = np.array(
    [
        [1.0, 0.0, 0.0, 0.0, 0.0, 0.0],  # ln Re
        [1.0, 1.0, 0.0, -1.0, 0.0, 0.0],  # ln Bl^2/Mms = ln Re + ln ws - ln Qes
        [0.0, 1.0, 0.0, 0.0, 0.0, 0.0],  # ln ws
        [0.0, 1.0, -1.0, 0.0, 0.0, 0.0],  # ln Rms/Mms = ln ws - ln Qms
    ]
)
"""The state of `fit.driver.impedance` by `STATE`, all as logarithms (R. H. Small, J. Audio Eng.
Soc. 20(5), 1972)."""

_NO_INDUCTANCE = 1e-9


@dataclass(frozen=True, eq=False)
class SavedDriver:
    """A fitted driver.

    Attributes:
        theta: Logarithms of `STATE`, then the internal parameters of coil and laws, shape (p,).
        effects: Error source to its effect on ``theta`` for plus one standard uncertainty.
        has_mass: Whether Mms is known; a stand-in takes its place otherwise.
        widening: Factor on 1.96 for few repetitions, the largest of the parameters.
        warnings: What is missing in the fit.
    """

    driver: Driver
    theta: FloatArray
    effects: Mapping[str, FloatArray]
    has_mass: bool
    sources: Mapping[str, str]
    widening: float
    warnings: tuple[Finding, ...] = ()

    def electrical(self, theta: FloatArray) -> FloatArray:
        """Parameters in the order of `fit.driver.impedance`."""
        turns = np.where(_OF_STATE[:, 1], math.log(2 * math.pi), 0.0)
        state = _OF_STATE @ theta[: len(STATE)] + turns
        return np.concatenate([state, theta[len(STATE) :]])

    def by_theta(self, slopes: ComplexArray) -> ComplexArray:
        """Derivatives by ``theta`` from those by the parameters of `electrical`, shape (p, n)."""
        return np.concatenate([_OF_STATE.T @ slopes[:STATE_SIZE], slopes[STATE_SIZE:]])

    def estimate(self, value: float, gradient: FloatArray, unit: str) -> Estimate:
        """A quantity of the driver with what limits it (JCGM 102:2011, 6.2.1.3).

        Args:
            value: The quantity at ``theta``.
            gradient: Its derivatives by ``theta``, shape (p,).
        """
        return Estimate(
            value=value,
            unit=unit,
            contributions=along(gradient, self.effects),
            logarithmic=value > 0 and unit != "dB",
            widening=self.widening,
        )


def of_fit(fit: DriverFit, modulus: float | None = None) -> SavedDriver:
    """Take the driver from a fit.

    Args:
        modulus: Density times square of the sound speed of the air around the box [Pa], to which
            Vas = modulus Sd^2 Cms (R. H. Small, J. Audio Eng. Soc. 20(5), 1972) is brought from
            the air of the fit, where cone and compliance are known; None: it stays as it is.

    Raises:
        Refused: ``no-volume`` if the fit has no Vas: free air alone cannot tell what a box does;
            ``unknown-coil`` if its model is not known or lacks a parameter.
    """
    given = fit.parameters
    if "Vas" not in given:
        raise Refused([_NO_VOLUME])
    values = fit.model_values
    warnings: list[Finding] = []
    if fit.model.partition("+")[0] == Plain.name and not {"Le", "L1"} & values.keys():
        warnings.append(_NO_LE)
        values["Le"] = _NO_INDUCTANCE
    if modulus is not None and {"Sd", "Cms"} <= values.keys():
        values["Vas"] = modulus * values["Sd"] ** 2 * values["Cms"]
    model = known(fit.model, values)
    if model.driver.coil.within_band_only:
        warnings.append(_within_its_band(fit))
    values.setdefault("Mms", 0.01)
    sources = sorted({source for estimate in given.values() for source in estimate.contributions})
    effects = {source: _effect(given, model, source) for source in sources}
    return SavedDriver(
        driver=model.driver,
        theta=np.concatenate([np.log([values[name] for name in STATE]), model.internal]),
        effects={source: effect for source, effect in effects.items() if np.any(effect)},
        has_mass="Mms" in given,
        sources=dict(fit.sources),
        widening=widest(given[name] for name in STATE if name in given),
        warnings=tuple(warnings),
    )


def _effect(given: Mapping[str, Estimate], model: KnownModel, source: str) -> FloatArray:
    """Effect of plus one standard uncertainty of an error source on the parameters."""
    changes = {
        name: e.contributions[source] for name, e in given.items() if source in e.contributions
    }
    state = [changes.get(name, 0.0) / given[name].value if name in given else 0.0 for name in STATE]
    return np.concatenate([state, model.changed(changes)])


_NO_VOLUME = Finding(
    "no-volume",
    "the fit does not know Vas, and free air alone cannot tell what a box does. Add a take with a "
    "known mass on the cone (and the diameter), or one in a test box: freeair fit FREE... "
    "--test-box FILE=V",
    refuses=True,
)
_NO_LE = Finding(
    "no-inductance",
    "the takes did not reach up to where the inductance shows, so that the coil counts as a "
    "resistance. Do not rely on impedance and level above some hundred hertz",
)


def _within_its_band(fit: DriverFit) -> Finding:
    curve = fit.free_air[0]
    low, high = (float(end) for end in curve.frequency_hz[[0, -1]])
    return Finding(
        "coil-within-band",
        "the coil model of the fit has no circuit behind it and says nothing outside "
        f"{rounded(low)} to {rounded(high)} Hz, where the take was. Beyond, everything leans on a "
        "continuation",
    )
