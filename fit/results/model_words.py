"""A driver's model in words, and the loss that its laws take."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING

from fit.driver.mechanics import IDEAL, Mechanics
from fit.driver.models import MECHANICS, OF_COILS, OF_LAWS, named

if TYPE_CHECKING:
    from fit.results.result import Estimate


def in_words(model: str, parameters: Mapping[str, Estimate]) -> str:
    """``lossy inductance; suspension creeps 10 % per decade of frequency``.

    Args:
        parameters: Symbol to estimate; what is missing is left out of the words.
    """
    try:
        coil, mechanics = named(model)
    except ValueError:
        return model  # of another version

    def written(symbol: str) -> str:
        meaning = (OF_COILS | OF_LAWS)[symbol]
        if symbol not in parameters:
            return "an open amount" if meaning.unit == "1" else "an open frequency"
        return meaning.text(parameters[symbol].value, 2)

    return "; ".join([coil.words, *(law.words(written) for law in mechanics.laws)])


def loss_shares(parameters: Mapping[str, Estimate]) -> dict[str, float]:
    """Share of the mechanical loss at resonance that each law of suspension and former takes.

    Empty under an ideal spring. The rest is in proportion to velocity throughout; a negative one
    makes the shares add up to more than 1.
    """
    return shares_of_loss({name: e.value for name, e in parameters.items()})


def shares_of_loss(values: Mapping[str, float]) -> dict[str, float]:
    """`loss_shares` of bare values."""
    if "fs" not in values or "Qms" not in values:
        return {}
    mechanics = laws_in(values)
    internal, _ = mechanics.internal(values, values["fs"])
    size = mechanics.at_resonance(internal).real
    return {
        law.name: values["Qms"] * law.loss(own) / size
        for law, own in zip(mechanics.laws, mechanics.parts(internal), strict=True)
        if law is not mechanics.beside
    }


def laws_in(values: Mapping[str, float]) -> Mechanics:
    """Find the laws whose parameters are all known."""
    whole = [m for m in MECHANICS if m.laws and all(name in values for name in m.symbols)]
    return max(whole, key=lambda mechanics: mechanics.size, default=IDEAL)
