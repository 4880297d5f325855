"""All models of coil and moving system, by name; here a new coil or law is listed."""

from __future__ import annotations

from itertools import combinations

import numpy as np

from fit.driver.coils.coil import CoilModel
from fit.driver.coils.empirical import Empirical
from fit.driver.coils.ladder import Ladder
from fit.driver.coils.lossy import Lossy
from fit.driver.coils.plain import Plain
from fit.driver.elements.quantity import Quantity
from fit.driver.laws.creep import Creep
from fit.driver.laws.former import Former
from fit.driver.laws.frame import Frame, Second
from fit.driver.laws.law import Law
from fit.driver.laws.relaxing import Relaxing
from fit.driver.mechanics import IDEAL, Mechanics

_CORNERS = [float(f) for f in np.geomspace(60.0, 30e3, 13)]
_WIDE = _CORNERS[1::3]

COILS: tuple[CoilModel, ...] = (
    Plain(),
    Lossy(),
    Ladder("ladder", [(corner,) for corner in _CORNERS]),
    Empirical(),
    Ladder("ladder3", list(combinations(_WIDE, 2)), grows_from="ladder"),
    Ladder("ladder4", list(combinations(_WIDE, 3)), grows_from="ladder3"),
)
"""Every coil model, simplest first; one that grows stands behind what it grows from."""

SUSPENSIONS: tuple[Law, ...] = (Creep(), Relaxing())
"""Every law of a suspension."""

_FORMER = Former()

FRAME, SECOND = Frame(), Second()

CANDIDATES: tuple[Mechanics, ...] = (
    *(Mechanics(suspension=law) for law in SUSPENSIONS),
    Mechanics(former=_FORMER),
)
"""Single laws that the automatic choice tries beside the ideal spring."""

MECHANICS: tuple[Mechanics, ...] = (
    IDEAL,
    *CANDIDATES,
    *(Mechanics(suspension=law, former=_FORMER) for law in SUSPENSIONS),
    Mechanics(beside=FRAME),
    *(Mechanics(suspension=law, beside=FRAME) for law in SUSPENSIONS),
)
"""Every moving system that a driver may have; suspension and former at once by name only."""

COIL_NAMES = tuple(coil.name for coil in COILS)
LAW_NAMES = tuple(mechanics.name for mechanics in MECHANICS if mechanics.laws)

OF_COILS: dict[str, Quantity] = {
    symbol: meaning for coil in COILS for symbol, meaning in coil.quantities.items()
}
"""Parameters of coil models."""

OF_LAWS: dict[str, Quantity] = {
    symbol: meaning
    for law in (*SUSPENSIONS, _FORMER, FRAME)
    for symbol, meaning in law.quantities.items()
}
"""Parameters of laws of suspension and former."""


def named(name: str) -> tuple[CoilModel, Mechanics]:
    """Find coil and laws of a model by its name, such as ``ladder+creep``.

    >>> coil, mechanics = named("ladder+creep")
    >>> coil.words, mechanics.symbols
    ('ladder of two inductors', ('creep',))

    Raises:
        ValueError: If there is no such model; the message names all.
    """
    first, plus, laws = name.partition("+")
    coil = next((coil for coil in COILS if coil.name == first), None)
    mechanics = next((law for law in MECHANICS if law.name == plus + laws), None)
    if coil is None or mechanics is None:
        raise ValueError(
            f"no model {name!r}; there are {', '.join(COIL_NAMES)}, alone or with "
            f"{', '.join(LAW_NAMES)}"
        )
    return coil, mechanics
