"""A driver's model in words, and what its laws say about the build."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import replace
from typing import TYPE_CHECKING

from fit.driver.mechanics import IDEAL, MECHANICS, Mechanics
from fit.results.quantities import OF_MODELS, rounded, shown
from meas.curve import FloatArray
from meas.errors import Finding

if TYPE_CHECKING:
    from fit.results.result import DriverFit, Estimate

_COILS = {
    "plain": "lossless inductance",
    "lossy": "lossy inductance",
    "ladder": "ladder of two inductors",
    "ladder3": "ladder of three inductors",
    "ladder4": "ladder of four inductors",
    "empirical": "two power laws, within the band only",
}
_STEP = 1e-4
_SURE = 2.0  # standard uncertainties


def in_words(model: str, parameters: Mapping[str, Estimate]) -> str:
    """``lossy inductance; suspension creeps 10 % per decade of frequency``.

    Args:
        model: Name of the model.
        parameters: Symbol to estimate; what is missing is left out of the words.
    """
    coil, _, laws = model.partition("+")
    said = [_COILS.get(coil, coil)]

    def of(symbol: str) -> str:
        if symbol not in parameters:
            return "an open amount" if OF_MODELS[symbol].unit == "1" else "an open frequency"
        return OF_MODELS[symbol].text(parameters[symbol].value, 2)

    for law in filter(None, laws.split("+")):
        match law:
            case "creep":
                said.append(f"suspension creeps {of('creep')} per decade of frequency")
            case "relaxing":
                said.append(f"suspension gives {of('give')} more below {of('f_give')}")
            case "former":
                said.append(f"a ring brakes below {of('f_former')}")
            case _:
                said.append(law)
    return "; ".join(said)


def loss_shares(parameters: Mapping[str, Estimate]) -> dict[str, float]:
    """What suspension and former take of the mechanical loss at resonance, by name of the law.

    Empty under an ideal spring. The rest is in proportion to velocity throughout; a negative one
    makes the shares add up to more than 1.
    """
    if "fs" not in parameters or "Qms" not in parameters:
        return {}
    values = {name: e.value for name, e in parameters.items()}
    mechanics = _laws_in(values)
    internal, _ = mechanics.internal(values, values["fs"])
    return _shares(mechanics, internal, values["Qms"])


def _shares(mechanics: Mechanics, internal: FloatArray, Qms: float) -> dict[str, float]:
    import numpy as np

    size = mechanics.at_resonance(internal).real
    at = np.array([1j])
    return {
        law.name: Qms * float(law.stiffness(at, own)[0][0].imag) / size
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
    if model.partition("+")[0] == "empirical":
        found.append(
            Finding(
                "coil-without-circuit",
                "resistance and reactance of the coil follow two power laws of their own, which "
                f"no causal circuit does: they describe the curve from {rounded(band[0])} "
                f"to {rounded(band[1])} Hz and nothing beyond. For a circuit (freeair export "
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
            name: replace(e, value=e.value + _STEP * e.contributions.get(source, 0.0))
            for name, e in parameters.items()
        }
        variance += ((sum(loss_shares(moved).values()) - total) / _STEP) ** 2
    return total if total - 1 > _SURE * math.sqrt(variance) else None


def tell(fit: DriverFit) -> tuple[Finding, ...]:
    """What the laws that the takes ask for say about suspension and former."""
    shares = loss_shares(fit.parameters)
    tellers = {"creep": _creeps, "relaxing": _gives, "former": _brakes}
    return tuple(tellers[law](fit.parameters, share) for law, share in shares.items())


_AT_FS = (
    "fs, Cms, Vas and the Qs are the values at resonance, as everywhere; at a slow push the "
    "suspension is softer"
)
_OF_SUSPENSION = (
    "Common for rubber, foam and impregnated cloth (common practice, no source), and no fault"
)


def _creeps(parameters: Mapping[str, Estimate], share: float) -> Finding:
    creep, fs = parameters["creep"], parameters["fs"].value
    softer = 100 * creep.value
    return Finding(
        "suspension-creeps",
        f"The suspension creeps: its compliance grows by {shown('creep', creep)} for each decade "
        f"of frequency downwards, so that it is {softer:.0f} % softer at {rounded(fs / 10, 2)} Hz "
        f"than at resonance. {_AT_FS}. Its creep takes {_percent(share)} of the mechanical loss "
        f"at resonance. {_OF_SUSPENSION}.",
    )


def _gives(parameters: Mapping[str, Estimate], share: float) -> Finding:
    give, corner = parameters["give"], parameters["f_give"]
    return Finding(
        "suspension-gives",
        f"The suspension gives slowly: far below {shown('f_give', corner)} its compliance is "
        f"higher by {shown('give', give)} than far above. {_AT_FS}. That takes {_percent(share)} "
        f"of the mechanical loss at resonance. {_OF_SUSPENSION}.",
    )


def _brakes(parameters: Mapping[str, Estimate], share: float) -> Finding:
    corner = shown("f_former", parameters["f_former"])
    return Finding(
        "ring-brakes",
        f"A ring brakes: the mechanical loss lets go above {corner}, as that of a closed metal "
        "former does (a shorted turn in the gap, by its resistance and inductance). It takes "
        f"{_percent(share)} of the loss at resonance.{_takes(parameters)} Where one is meant, that "
        "is no fault. Next, if not: look for the slit of the former.",
    )


def _takes(parameters: Mapping[str, Estimate]) -> str:
    """What a ring does to the force far above its corner (`fit.driver.former`)."""
    if "Res" not in parameters:
        return ""
    values = {name: e.value for name, e in parameters.items()}
    mechanics = _laws_in(values)
    internal, _ = mechanics.internal(values, values["fs"])
    turn = mechanics.turn(internal, values["Qms"] / values["Res"])
    return (
        f" Far above, it stands in the coil as {shown('R_former', parameters['R_former'])} and "
        f"takes {100 * turn:.2g} % of the force: Bl is the one far below."
    )


def _percent(share: float) -> str:
    return f"{100 * share:.0f} %" if share < 1 else "all"
