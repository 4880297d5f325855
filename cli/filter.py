"""``freeair filter``: a crossover computed into the measured drivers."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from cli import show, units, values
from cli.network_file import BRANCHES
from cli.options import AsJson
from meas.errors import UsageError

if TYPE_CHECKING:
    from cli.drive import Drive
    from cli.filter_measured import MeasuredTransfer
    from cli.stock_file import Stock
    from fit.load import Load
    from fit.network import Branch, NetworkArm
    from fit.network_result import NetworkResult
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
class Asked:
    """What was asked for besides the network."""

    drive: Drive | None
    minimum_ohm: float | None
    stock: Stock | None


def filter_(
    network: Annotated[
        Path | None,
        typer.Argument(
            metavar="[NETWORK.toml]",
            help="A network file; without one a standard crossover is designed.",
        ),
    ] = None,
    woofer: Annotated[
        str | None,
        typer.Option(metavar="FILE", help="The woofer: take, table, .s1p, or a fit's JSON."),
    ] = None,
    midrange: Annotated[
        str | None, typer.Option(metavar="FILE", help="The midrange, for a network file.")
    ] = None,
    tweeter: Annotated[str | None, typer.Option(metavar="FILE", help="The tweeter.")] = None,
    crossover: Annotated[
        str | None, typer.Option(metavar="F", help="Corner of a standard crossover, such as 3kHz.")
    ] = None,
    order: Annotated[int, typer.Option(metavar="1|2", help="Order of a standard crossover.")] = 1,
    q: Annotated[
        float, typer.Option("--q", metavar="Q", help="Of a second-order section.")
    ] = 0.7071,
    compensate: Annotated[
        list[str] | None,
        typer.Option(metavar="BRANCH", help="Level the coil's inductance of this driver first."),
    ] = None,
    attenuate: Annotated[
        str | None, typer.Option(metavar="DB", help="Attenuate the tweeter, such as 3dB.")
    ] = None,
    series: Annotated[
        str, typer.Option(metavar="E12|...|exact", help="Preferred values to design with.")
    ] = "E12",
    amplifier_minimum: Annotated[
        str | None, typer.Option(metavar="R", help="Least load the amplifier tolerates: 4ohm.")
    ] = None,
    drive: Annotated[
        str | None, typer.Option(metavar="P|V", help="Drive for the heat in parts: 10W or 9V.")
    ] = None,
    rated: Annotated[
        str | None, typer.Option(metavar="R", help="What the watts are into. Default 8ohm.")
    ] = None,
    at_hand: Annotated[
        list[Path] | None,
        typer.Option(metavar="FILE", help="Parts at hand: a stock file, or a part's JSON."),
    ] = None,
    measured_transfer: Annotated[
        str | None,
        typer.Option(
            metavar="TAKE",
            help="A finished section: source input before it, driver input on its driver.",
        ),
    ] = None,
    branch: Annotated[
        str | None, typer.Option(metavar="BRANCH", help="Which section was measured.")
    ] = None,
    picture: Annotated[
        Path | None, typer.Option(metavar="FILE.png|svg", help="Draw levels and load.")
    ] = None,
    save_network: Annotated[
        Path | None, typer.Option(metavar="FILE.toml", help="Keep the network, to edit it.")
    ] = None,
    spice: Annotated[
        Path | None, typer.Option(metavar="FILE", help="Write it for SPICE; needs fits as loads.")
    ] = None,
    as_json: AsJson = False,
) -> None:
    """Compute a crossover into the measured impedance of this woofer and this tweeter.

    Textbook values hold for resistors. What a crossover really does, and what it makes of the
    amplifier's load, follows from solving it into the drivers as measured.

    \b
    freeair filter --woofer woofer.json --tweeter tweeter.json --crossover 3kHz \\
        --amplifier-minimum 4ohm --drive 10W --save-network two-way.toml
    freeair filter two-way.toml --woofer woofer.json --tweeter tweeter.json \\
        --at-hand drawer.toml --picture two-way.png
    """
    from cli import drive as drives
    from cli import filter_load, filter_measured, filter_print, network_file, plots, stock_file
    from fit.network_result import evaluate
    from meas.whole_file import refuse_existing, write_text

    if picture is not None:
        plots.check_picture(picture)
    for path in (save_network, spice):
        if path is not None:
            refuse_existing(path)
    files = dict(zip(BRANCHES, (woofer, midrange, tweeter), strict=True))
    asked = Asked(
        None if drive is None else drives.read(drive, rated),
        None
        if amplifier_minimum is None
        else values.resistance(amplifier_minimum, "--amplifier-minimum").value,
        None if not at_hand else stock_file.read(at_hand),
    )
    if rated is not None and drive is None:
        raise UsageError("--rated means nothing without --drive", where="freeair filter")
    wish = _wish(crossover, order, q, attenuate, series)
    arms = None if network is None else network_file.read(network)
    if arms is not None and (crossover or compensate or attenuate):
        raise UsageError(
            "a network file says everything; --crossover, --compensate and --attenuate design one",
            where="freeair filter",
            remedy="Leave the options or the file out.",
        )
    loads = {name: filter_load.read(name, file) for name, file in files.items() if file}
    if arms is None:
        branches, notes = _designed(loads, wish, crossover is not None, compensate or [])
    else:
        branches, notes = _matched(arms, loads, network)
    netlist = None if spice is None else filter_load.netlist(branches, files)
    result = evaluate(
        branches,
        drive_volt=asked.drive.volt_rms if asked.drive else None,
        amplifier_minimum_ohm=asked.minimum_ohm,
    )
    transfer = None
    if measured_transfer is not None:
        transfer = filter_measured.compare(measured_transfer, branch, result.solution)
    elif branch is not None:
        raise UsageError("--branch means nothing without --measured-transfer", where="--branch")
    findings = (*notes, *result.findings, *(transfer.findings if transfer else ()))
    _cautions(result, asked)
    for path, text in (
        (save_network, network_file.as_text({b.name: b.arms for b in branches})),
        (spice, netlist),
    ):
        if path is not None and text is not None:
            write_text(path, text)
    if picture is not None:
        _draw(result, asked, transfer, picture)
    if as_json:
        show.line(filter_print.as_json(result, asked, transfer, findings))
    else:
        filter_print.in_words(result, asked, transfer, findings)
    for words, path in (("Network", save_network), ("SPICE", spice), ("Picture", picture)):
        if path is not None:
            (show.note if as_json else show.line)(f"{words}: {path}")


@dataclass(frozen=True)
class _Wish:
    crossover_hz: float
    order: int
    Q: float
    attenuate_db: float
    series: int | None


def _wish(crossover: str | None, order: int, q: float, attenuate: str | None, series: str) -> _Wish:
    from fit.preferred import SERIES

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
    return _Wish(
        0.0 if crossover is None else values.frequency(crossover, "--crossover").value,
        order,
        q,
        0.0 if attenuate is None else values.read(ATTENUATION, attenuate, "--attenuate").value,
        None if series == "exact" else int(series[1:]),
    )


def _designed(
    loads: dict[str, Load], wish: _Wish, wanted: bool, compensate: list[str]
) -> tuple[list[Branch], tuple[Finding, ...]]:
    """A standard two-way crossover, or one half of it."""
    from fit.crossover import TOLERANCE, Wish, design
    from fit.network import Branch
    from fit.quantities import rounded
    from meas.errors import Finding

    if not wanted:
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
    if wish.attenuate_db and "tweeter" not in loads:
        raise UsageError("there is no tweeter to attenuate", where="--attenuate")
    branches, notes = [], []
    for name, load in loads.items():
        low, high = load.band_hz
        if not low <= wish.crossover_hz <= high:
            raise UsageError(
                f"{wish.crossover_hz:g} Hz lies outside the {name}'s curve "
                f"({rounded(low)} to {rounded(high)} Hz)",
                where="--crossover",
                remedy="Choose a corner inside, or measure a wider band.",
            )
        arms, nominal = design(
            Wish(
                name == "woofer",
                wish.crossover_hz,
                wish.order,
                wish.Q,
                name in compensate,
                wish.attenuate_db if name == "tweeter" else 0.0,
                wish.series,
            ),
            load,
        )
        branches.append(Branch(name, arms, load))
        basis = "Re" if name in compensate else "|Z| at the corner"
        show.default_taken(f"{name}: textbook values for {nominal:.3g} ohm ({basis})")
    limits = ", ".join(f"{kind} ±{part:.0%}" for kind, part in TOLERANCE.items())
    show.default_taken(f"limits of bought parts: {limits}")
    if wish.order == 2 and len(branches) == 2:
        notes.append(
            Finding(
                "half-turn",
                "second-order branches are half a turn apart at the corner: connect one of the "
                "two drivers with its terminals swapped, and listen to both ways",
            )
        )
    return branches, tuple(notes)


def _need_loads(loads: dict[str, Load]) -> None:
    if not loads:
        raise UsageError(
            "no driver is given",
            where="freeair filter",
            remedy="Give --woofer FILE, --tweeter FILE or both: takes, tables or fits.",
        )


def _matched(
    arms: dict[str, tuple[NetworkArm, ...]], loads: dict[str, Load], network: Path | None
) -> tuple[list[Branch], tuple[Finding, ...]]:
    from fit.network import Branch

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
    return [Branch(name, arms.get(name, ()), load) for name, load in loads.items()], ()


def _cautions(result: NetworkResult, asked: Asked) -> None:
    from cli import cautions

    parts = [n for one in result.solution.branches for arm in one.branch.arms for n in arm.parts]
    shown = []
    if result.verdict in ("outside", "undecided"):
        shown.append(cautions.LOW_LOAD)
    paired = asked.stock is not None and asked.stock.has_pairs
    if paired or any(named.back_to_back for named in parts):
        shown.append(cautions.BACK_TO_BACK)
    if result.stresses is not None:
        if any(named.part.kind == "resistor" for named in parts):
            shown.append(cautions.HOT_PART)
        if any(named.part.kind == "inductor" for named in parts):
            shown.append(cautions.SATURATION)
    cautions.print_cautions(shown)


def _draw(
    result: NetworkResult, asked: Asked, transfer: MeasuredTransfer | None, picture: Path
) -> None:
    from cli import filter_picture, plots

    drawn = filter_picture.figure(
        result,
        amplifier_minimum_ohm=asked.minimum_ohm,
        measured=None
        if transfer is None
        else (transfer.branch, transfer.frequency_hz, transfer.ratio),
    )
    plots.save_picture(drawn, picture)
