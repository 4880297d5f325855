"""Branches of a crossover: designed by the textbook, or as a network file says."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

from cli.terminal import show
from cli.words import units
from cli.words.values import Value, number
from meas.errors import UsageError

if TYPE_CHECKING:
    from fit.crossover.load import Load
    from fit.crossover.network import Branch, NetworkArm
    from meas.errors import Finding

ATTENUATION = replace(
    units.LEVEL,
    name="attenuation",
    example="3dB",
    smallest=0.1,
    largest=40.0,
    limits_unit="0.1 dB to 40 dB",
)


@dataclass(frozen=True)
class Standard:
    """A standard crossover as asked for; no corner frequency where none was."""

    crossover_hz: float | None
    order: int
    Q: float
    attenuate_db: float
    series: int | None


def read_standard(
    crossover: Value | None, order: int, q: float, attenuate: Value | None, series: str
) -> Standard:
    """Read the options that design a crossover.

    Raises:
        UsageError: If one of them means nothing.
    """
    from fit.design.preferred import SERIES

    if order not in (1, 2):
        raise UsageError(
            f"order {order}",
            where="--order",
            remedy="1 or 2; steeper ones are written as a network file.",
        )
    if not 0.3 <= q <= 2:
        raise UsageError(f"Q {q:g}", where="--q", remedy="0.3 to 2; 0.5 and 0.7071 are usual.")
    names = [f"E{n}" for n in SERIES]
    if series != "exact" and series.upper() not in names:
        raise UsageError(
            f"'{series}' is no series of preferred values",
            where="--series",
            remedy=f"One of: {' '.join(names)} exact.",
        )
    return Standard(
        number(crossover),
        order,
        q,
        0.0 if attenuate is None else attenuate.value,
        None if series == "exact" else int(series[1:]),
    )


def designed(
    loads: dict[str, Load], wanted: Standard, compensate: list[str]
) -> tuple[list[Branch], tuple[Finding, ...], tuple[str, ...]]:
    """A standard two-way crossover, or one half of it.

    Returns:
        Its branches, what to mind, and what was taken for them.

    Raises:
        UsageError: If it cannot be designed.
    """
    from fit.crossover.network import Branch
    from fit.crossover.textbook import TOLERANCE, BranchAim, design
    from fit.driver.elements.quantity import rounded
    from meas.errors import Finding

    if wanted.crossover_hz is None:
        raise UsageError(
            "neither a network file nor a corner frequency is given",
            where="freeair filter",
            remedy="Give NETWORK.toml, or --crossover 3kHz for a standard crossover.",
        )
    if "midrange" in loads:
        raise UsageError(
            "a standard crossover has no midrange branch",
            where="--midrange",
            remedy="Write a network file: --save-network makes a first one to edit.",
        )
    _need_loads(loads)
    for name in compensate:
        if name not in loads:
            raise UsageError(
                f"there is no {name} to compensate",
                where="--compensate",
                remedy=f"One of: {' '.join(loads)}.",
            )
    if wanted.attenuate_db and "tweeter" not in loads:
        raise UsageError("there is no tweeter to attenuate", where="--attenuate")
    branches, notes, taken = [], [], []
    for name, load in loads.items():
        low, high = load.band_hz
        if not low <= wanted.crossover_hz <= high:
            raise UsageError(
                f"{wanted.crossover_hz:g} Hz lies outside the {name}'s curve "
                f"({rounded(low)} to {rounded(high)} Hz)",
                where="--crossover",
                remedy="Choose a corner inside, or measure a wider band.",
            )
        arms, nominal = design(
            BranchAim(
                name == "woofer",
                wanted.crossover_hz,
                wanted.order,
                wanted.Q,
                name in compensate,
                wanted.attenuate_db if name == "tweeter" else 0.0,
                wanted.series,
            ),
            load,
        )
        branches.append(Branch(name, arms, load))
        basis = "Re" if name in compensate else "|Z| at the corner"
        taken.append(f"{name}: textbook values for {nominal:.3g} ohm ({basis})")
    limits = ", ".join(f"{kind} ±{part:.0%}" for kind, part in TOLERANCE.items())
    taken.append(f"limits of bought parts: {limits}")
    if wanted.order == 2 and len(branches) == 2:
        notes.append(
            Finding(
                "half-turn",
                "second-order branches are half a turn apart at the corner: connect one of the "
                "two drivers with its terminals swapped, and listen to both ways",
            )
        )
    return branches, tuple(notes), tuple(taken)


def _need_loads(loads: dict[str, Load]) -> None:
    if not loads:
        raise UsageError(
            "no driver is given",
            where="freeair filter",
            remedy="Give --woofer FILE, --tweeter FILE or both: takes, tables or fits.",
        )


def matched(
    arms: dict[str, tuple[NetworkArm, ...]], loads: dict[str, Load], network: Path | None
) -> list[Branch]:
    """The branches of a network file, each with its driver.

    Raises:
        UsageError: If a branch has no driver.
    """
    from fit.crossover.network import Branch

    _need_loads(loads)
    for name in arms:
        if name not in loads:
            raise UsageError(
                f"has a {name} branch, but no {name} is given",
                where=str(network),
                remedy=f"Add --{name} FILE: a take, a table or a fit.",
            )
    for name in loads:
        if name not in arms:
            show.default_taken(f"{name}: straight on the amplifier, the file has no arms for it")
    return [Branch(name, arms.get(name, ()), load) for name, load in loads.items()]
