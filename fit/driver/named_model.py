"""A driver's model by its name: which coil, which laws, and their parameters out of a fit."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from fit.driver.mechanics import MECHANICS, Mechanics
from fit.driver.voicecoil import MODELS, CoilModel
from meas.curve import ComplexArray, FloatArray
from meas.errors import Finding, Refused

COILS = tuple(coil.name for coil in MODELS)
LAWS = tuple(mechanics.name for mechanics in MECHANICS if mechanics.laws)


def named(name: str) -> tuple[CoilModel, Mechanics]:
    """Coil and laws of a model such as ``ladder+creep``.

    Raises:
        ValueError: If there is no such model; the message names all.
    """
    first, plus, laws = name.partition("+")
    coil = next((coil for coil in MODELS if coil.name == first), None)
    mechanics = next((law for law in MECHANICS if law.name == plus + laws), None)
    if coil is None or mechanics is None:
        raise ValueError(
            f"no model {name!r}; there are {', '.join(COILS)}, alone or with {', '.join(LAWS)}"
        )
    return coil, mechanics


@dataclass(frozen=True, eq=False)
class KnownModel:
    """The model of a saved fit with its parameters.

    Attributes:
        coil: Voice-coil model.
        mechanics: Laws of suspension and former.
        internal: Their internal parameters, those of the coil first, shape (p,).
        slopes: For each of them the derivatives by reported parameters, by name.
    """

    coil: CoilModel
    mechanics: Mechanics
    internal: FloatArray
    slopes: tuple[Mapping[str, float], ...]

    @property
    def of_coil(self) -> FloatArray:
        """Internal parameters of the coil."""
        return self.internal[: self.coil.size]

    @property
    def of_laws(self) -> FloatArray:
        """Internal parameters of the laws."""
        return self.internal[self.coil.size :]

    @property
    def symbols(self) -> tuple[str, ...]:
        """Reported parameters that the internal ones are made of."""
        return tuple(dict.fromkeys(name for row in self.slopes for name in row))

    def moved(self, changes: Mapping[str, float]) -> FloatArray:
        """Changes of the internal parameters by small ones of the reported, shape (p,)."""
        return np.array(
            [sum(k * changes.get(name, 0.0) for name, k in row.items()) for row in self.slopes]
        )


def known(name: str, values: Mapping[str, float]) -> KnownModel:
    """The model of a fit.

    Args:
        name: Of the model.
        values: Reported parameters, ``fs`` among them.

    Raises:
        Refused: ``unknown-coil``, if this version has no such model, or if the
            takes left one of its parameters open: nothing is made of half a model.
    """
    try:
        coil, mechanics = named(name)
    except ValueError:
        raise Refused([_unknown(name)]) from None
    try:
        internal, slopes = coil.internal(values)
        of_laws, law_slopes = mechanics.internal(values, values["fs"])
    except KeyError as missing:
        raise Refused([_open(name, str(missing.args[0]))]) from None
    return KnownModel(coil, mechanics, np.concatenate([internal, of_laws]), (*slopes, *law_slopes))


def motion(
    x: ComplexArray, Qms: float, mechanics: Mechanics, internal: FloatArray
) -> tuple[ComplexArray, ComplexArray]:
    """Motional impedance over Res, (x/Qms)/(x^2 + x/Qms + k(x)), 1 at resonance.

    R. H. Small, J. Audio Eng. Soc. 20(5), 1972, with the dynamic stiffness k of
    `fit.driver.mechanics`. What a former does to the force factor, and shows in the coil, is not in
    it: `fit.driver.mechanics.Mechanics.ring`.

    Args:
        x: Complex angular frequency over the angular resonance, shape (n,).
        Qms: Mechanical Q.
        mechanics: Laws of suspension and former.
        internal: Their internal parameters.

    Returns:
        Shape (n,), and its derivatives by ln fs, ln Qms and the internal parameters, (2 + p, n).
    """
    k, along, by_internal = mechanics.stiffness(x, internal)
    z = x / (Qms * (x * x + x / Qms + k))
    down = -z * z * Qms / x  # by the denominator
    by_x = z + down * (2 * x * x + x / Qms + along)
    by_Q = -z - down * x / Qms
    return z, np.stack([-by_x, by_Q, *(down * row for row in by_internal)])


def _unknown(name: str) -> Finding:
    return Finding(
        "unknown-coil",
        f"the fit's model '{name}' is not known to this version; fit the takes again",
        refuses=True,
    )


def _open(name: str, missing: str) -> Finding:
    if missing == "Le":
        text = (
            "the takes did not reach up to where the inductance shows; measure up to 2 kHz at "
            "least and fit again"
        )
    else:
        simpler = "" if name in COILS else ", or without the law behind the plus sign"
        text = (
            f"the takes leave {missing} of the model '{name}' open, so that it is no whole model; "
            f"fit with a simpler --model (plain, lossy or ladder{simpler})"
        )
    return Finding("unknown-coil", text, refuses=True)
