"""A driver's model in words, and what its laws say about the build."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import TYPE_CHECKING

from fit.driver.mechanics import IDEAL, Mechanics
from fit.driver.models import MECHANICS, OF_COILS, OF_LAWS, named
from fit.results.quantities import rounded, shown
from meas.errors import Finding

if TYPE_CHECKING:
    from fit.results.result import DriverFit, Estimate

_STEP = 1e-4
_SURE = 2.0  # standard uncertainties


def in_words(model: str, parameters: Mapping[str, Estimate]) -> str:
    """``lossy inductance; suspension creeps 10 % per decade of frequency``.

    Args:
        model: Name of the model.
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
    """What suspension and former take of the mechanical loss at resonance, by name of the law.

    Empty under an ideal spring. The rest is in proportion to velocity throughout; a negative one
    makes the shares add up to more than 1.
    """
    return _loss_shares({name: e.value for name, e in parameters.items()})


def _loss_shares(values: Mapping[str, float]) -> dict[str, float]:
    if "fs" not in values or "Qms" not in values:
        return {}
    mechanics = _laws_in(values)
    internal, _ = mechanics.internal(values, values["fs"])
    size = mechanics.at_resonance(internal).real
    return {
        law.name: values["Qms"] * law.loss(own) / size
        for law, own in zip(mechanics.laws, mechanics.parts(internal), strict=True)
    }


def _laws_in(values: Mapping[str, float]) -> Mechanics:
    """The laws whose parameters are all there."""
    whole = [m for m in MECHANICS if m.laws and all(name in values for name in m.symbols)]
    return max(whole, key=lambda mechanics: mechanics.size, default=IDEAL)


def doubts(
    model: str, parameters: Mapping[str, Estimate], band: tuple[float, float]
) -> list[Finding]:
    """What a model that follows its curve cannot be relied upon for.

    Args:
        model: Name of the model.
        parameters: Symbol to estimate.
        band: Lowest and highest frequency in free air [Hz].
    """
    found = []
    if named(model)[0].within_band_only:
        found.append(
            Finding(
                "coil-without-circuit",
                "no causal circuit has the resistance and the reactance of this coil model: they "
                f"describe the curve from {rounded(band[0])} to {rounded(band[1])} Hz and nothing "
                "beyond. For a circuit (freeair export "
                "--spice) fit with --model lossy or ladder and see what is left over",
            )
        )
    if (over := _over(parameters)) is not None:
        found.append(
            Finding(
                "law-overdone",
                f"the law of the suspension alone takes {100 * over:.0f} % of the loss at "
                "resonance, so that a negative resistance stands beside it: more than a law can "
                "be. Resonance, Qs and what follows from them are those of the curve all the "
                "same; the law is a description, and a circuit of it is active",
            )
        )
    return found


def _over(parameters: Mapping[str, Estimate]) -> float | None:
    """Share of the loss that the laws take, where it surely exceeds all of it."""
    total = sum(loss_shares(parameters).values())
    if total <= 1:
        return None
    variance = 0.0
    for source in {s for e in parameters.values() for s in e.contributions}:
        moved = {
            name: e.value + _STEP * e.contributions.get(source, 0.0)
            for name, e in parameters.items()
        }
        variance += ((sum(_loss_shares(moved).values()) - total) / _STEP) ** 2
    return total if total - 1 > _SURE * math.sqrt(variance) else None


def tell(fit: DriverFit) -> tuple[Finding, ...]:
    """What the laws that the takes ask for say about suspension and former."""
    parameters = fit.parameters
    values = {name: e.value for name, e in parameters.items()}
    laws = {law.name: law for law in _laws_in(values).laws}
    return tuple(
        laws[name].finding(lambda symbol: shown(symbol, parameters[symbol]), values, share)
        for name, share in loss_shares(parameters).items()
    )
