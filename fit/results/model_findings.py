"""Findings of a fitted model: limits of its validity, and its laws as signs of the build."""

from __future__ import annotations

import math
from collections.abc import Mapping
from functools import partial

from fit.driver.elements.quantity import rounded
from fit.driver.models import FRAME, named
from fit.results.error_sources import variance
from fit.results.model_words import laws_in, loss_shares, shares_of_loss
from fit.results.propagate import effects_on
from fit.results.quantities import with_interval
from fit.results.result import DriverFit, Estimate
from meas.errors import Finding

_SURE = 2.0  # standard uncertainties


def doubts(
    model: str, parameters: Mapping[str, Estimate], band: tuple[float, float]
) -> list[Finding]:
    """Findings on what a model cannot be relied upon for, though it follows its curve.

    Args:
        band: Lowest and highest frequency in free air [Hz].
    """
    values = {name: e.value for name, e in parameters.items()}
    found = []
    if named(model)[1].beside is FRAME and {"f_frame", "frame"} <= values.keys():
        written = partial(_written, parameters)
        found.append(FRAME.finding(written, values, 0.0))
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
    effects = effects_on(lambda values: sum(shares_of_loss(values).values()), parameters)
    return total if total - 1 > _SURE * math.sqrt(variance(effects)) else None


def of_laws(fit: DriverFit) -> tuple[Finding, ...]:
    """Findings of the laws that the takes ask for, about suspension and former."""
    parameters = fit.parameters
    values = {name: e.value for name, e in parameters.items()}
    laws = {law.name: law for law in laws_in(values).laws}
    return tuple(
        laws[name].finding(partial(_written, parameters), values, share)
        for name, share in loss_shares(parameters).items()
    )


def _written(parameters: Mapping[str, Estimate], symbol: str) -> str:
    return with_interval(symbol, parameters[symbol])
