"""A driver out of a saved fit, as numbers that may be off: what boxes are computed from.

The vector holds logarithms of Re, fs, Qms, Qes, Vas and Mms, then the coil's internal parameters.
Each error source of the fit moves it as a whole, so that whatever is computed from it keeps the
correlations of the parameters.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from fit.result import DriverFit, Estimate
from fit.voicecoil import MODELS, REFERENCE, CoilModel
from meas.curve import ComplexArray, FloatArray
from meas.errors import Finding, Refused

STATE = ("Re", "fs", "Qms", "Qes", "Vas", "Mms")
"""What the first columns are logarithms of."""

_NO_INDUCTANCE = 1e-9


@dataclass(frozen=True, eq=False)
class SavedDriver:
    """A fitted driver.

    Attributes:
        theta: Logarithms of `STATE`, then the coil's internal parameters, shape (p,).
        effects: Error source to its effect on ``theta`` for plus one standard uncertainty.
        coil: The coil model of the fit.
        has_mass: Whether Mms is known; its column holds a stand-in otherwise.
        sources: Error source to its description.
        widening: Factor on 1.96 for few repetitions, the largest of the parameters.
        warnings: What is missing in the fit.
    """

    theta: FloatArray
    effects: Mapping[str, FloatArray]
    coil: CoilModel
    has_mass: bool
    sources: Mapping[str, str]
    widening: float
    warnings: tuple[Finding, ...] = ()

    def blocked(self, s: ComplexArray, theta: FloatArray) -> ComplexArray:
        """Impedance of the blocked coil, Re included [ohm], shape (n,)."""
        return np.asarray(math.exp(theta[0]) + self.coil.impedance(s, theta[len(STATE) :])[0])

    def estimate(self, value: float, gradient: FloatArray, unit: str) -> Estimate:
        """A quantity of the driver with what limits it (JCGM 102:2011, 6.2.1.3).

        Args:
            value: The quantity at ``theta``.
            gradient: Its derivatives by ``theta``, shape (p,).
            unit: Of the value.
        """
        parts = {name: float(gradient @ effect) for name, effect in self.effects.items()}
        return Estimate(
            value=value,
            unit=unit,
            contributions={name: part for name, part in parts.items() if part != 0.0},
            logarithmic=value > 0 and unit != "dB",
            widening=self.widening,
        )


def of_fit(fit: DriverFit) -> SavedDriver:
    """The driver of a fit.

    Raises:
        Refused: ``no-volume`` if the fit has no Vas: free air alone cannot tell what a box does.
    """
    known = fit.parameters
    if "Vas" not in known:
        raise Refused([_NO_VOLUME])
    coil = next((model for model in MODELS if model.name == fit.model), None)
    values = {name: estimate.value for name, estimate in known.items()}
    warnings: list[Finding] = []
    if fit.model == "plain" and "Le" not in values:
        warnings.append(_NO_LE)
        values["Le"] = _NO_INDUCTANCE
    if coil is None or not _coil_known(fit.model, values):
        raise Refused([_unknown_coil(fit.model)])
    values.setdefault("Mms", 0.01)
    internal, slopes = _internal(fit.model, values)
    theta = np.concatenate([np.log([values[name] for name in STATE]), internal])
    sources = sorted({source for estimate in known.values() for source in estimate.contributions})
    effects = {
        source: np.concatenate([[_relative(known, name, source) for name in STATE], [
            sum(slope * _absolute(known, name, source) for name, slope in row.items())
            for row in slopes
        ]])
        for source in sources
    }  # fmt: skip
    return SavedDriver(
        theta=theta,
        effects={source: effect for source, effect in effects.items() if np.any(effect)},
        coil=coil,
        has_mass="Mms" in known,
        sources=dict(fit.sources),
        widening=max(known[name].widening for name in STATE if name in known),
        warnings=tuple(warnings),
    )


def _absolute(known: Mapping[str, Estimate], name: str, source: str) -> float:
    return known[name].contributions.get(source, 0.0) if name in known else 0.0


def _relative(known: Mapping[str, Estimate], name: str, source: str) -> float:
    return _absolute(known, name, source) / known[name].value if name in known else 0.0


def _coil_known(model: str, values: Mapping[str, float]) -> bool:
    needed = {"plain": ("Le",), "lossy": ("K", "n")}.get(model, ("L1", "L2", "R2"))
    return all(name in values for name in needed)


def _internal(model: str, values: Mapping[str, float]) -> tuple[FloatArray, list[dict[str, float]]]:
    """A coil's internal parameters from the reported ones, and their derivatives by these.

    Returns:
        The parameters, and for each of them the reported names with the derivative.
    """
    if model == "lossy":
        n = values["n"]
        share = min(max(2 * n - 1, 1e-6), 1 - 1e-6)
        size = math.log(values["K"]) + n * math.log(REFERENCE)
        logit = math.log(share / (1 - share))
        slopes = [
            {"K": 1 / values["K"], "n": math.log(REFERENCE)},
            {"n": 2 / (share * (1 - share))},
        ]
        return np.array([size, logit]), slopes
    names = ["Le"] if model == "plain" else ["L1"]
    number = 2
    while f"L{number}" in values and model != "plain":
        names += [f"L{number}", f"R{number}"]
        number += 1
    return np.log([values[name] for name in names]), [{name: 1 / values[name]} for name in names]


_NO_VOLUME = Finding(
    "no-volume",
    "the fit does not know Vas, and free air alone cannot tell what a box does. Add a take with a "
    "known mass on the cone (and the diameter), or one in a test box: freeair fit FREE... "
    "--test-box FILE=V",
    refuses=True,
)
_NO_LE = Finding(
    "no-inductance",
    "the takes did not reach up to where the inductance shows: the coil counts as a resistance, "
    "so that impedance and level above some hundred hertz are not to be relied upon",
)


def _unknown_coil(model: str) -> Finding:
    return Finding(
        "unknown-coil",
        f"the fit's coil model '{model}' or its parameters are not known to this version; fit the "
        "takes again",
        refuses=True,
    )
