"""``freeair filter``: a crossover computed into the measured drivers."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from cli.filter.branches import ATTENUATION
from cli.words import units
from cli.words.options import AsJson, Report, option, valued
from cli.words.values import Value, number
from meas.errors import UsageError


def filter_(
    network: Annotated[
        Path | None,
        typer.Argument(
            metavar="NETWORK.toml",
            help="A network file; without one a standard crossover is designed.",
        ),
    ] = None,
    woofer: str | None = option("FILE", "The woofer: take, table, .s1p, or a fit's JSON."),
    midrange: str | None = option("FILE", "The midrange, for a network file."),
    tweeter: str | None = option("FILE", "The tweeter."),
    crossover: Value | None = valued(
        units.FREQUENCY, "--crossover", "F", "Corner of a standard crossover, such as 3kHz."
    ),
    order: int = option("1|2", "Order of a standard crossover.", default=1),
    q: float = option("Q", "Q of a second-order section.", "--q", default=0.7071),
    compensate: list[str] | None = option(
        "BRANCH", "Level the coil's inductance of this driver first."
    ),
    attenuate: Value | None = valued(
        ATTENUATION, "--attenuate", "DB", "Attenuate the tweeter, such as 3dB."
    ),
    series: str = option("E12|...|exact", "Preferred values to design with.", default="E12"),
    amplifier_minimum: Value | None = valued(
        units.RESISTANCE, "--amplifier-minimum", "R", "Least load the amplifier tolerates: 4ohm."
    ),
    drive: str | None = option("P|V", "Drive for heat and travel: 10W or 9V."),
    rated: str | None = option("R", "Load that the watts are meant for. Default 8ohm."),
    at_hand: list[Path] | None = option("FILE", "Parts at hand: a stock file, or a part's JSON."),
    measured_transfer: str | None = option(
        "TAKE", "A finished section: source input before it, driver input on its driver."
    ),
    branch: str | None = option("BRANCH", "Which section was measured."),
    picture: Path | None = option("FILE.png|svg", "Draw levels and load."),
    report: Report = None,
    save_network: Path | None = option("FILE.toml", "Keep the network, to edit it."),
    spice: Path | None = option("FILE", "Write it for SPICE; needs fits as loads."),
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
    from cli.filter import acoustics, branches, measured, network_file, printing, stock_file
    from cli.pictures import plots
    from cli.report import forms
    from cli.sources import loads as filter_load
    from cli.terminal import cautions, show
    from cli.words import amplifier
    from fit.crossover.evaluate import evaluate
    from meas.files.writing import write_text

    forms.check(report, picture, save_network, spice)
    files = dict(zip(network_file.BRANCHES, (woofer, midrange, tweeter), strict=True))
    options = printing.NetworkOptions(
        amplifier.read_optional(drive, rated),
        number(amplifier_minimum),
        None if not at_hand else stock_file.read(at_hand),
    )
    standard = branches.read_standard(crossover, order, q, attenuate, series)
    arms = None if network is None else network_file.read(network)
    if arms is not None and (crossover or compensate or attenuate):
        raise UsageError(
            "a network file says everything; --crossover, --compensate and --attenuate design one",
            where="freeair filter",
            remedy="Leave the options or the file out.",
        )
    loads = {name: filter_load.read(file) for name, file in files.items() if file}
    if arms is None:
        built, notes, taken = branches.designed(loads, standard, compensate or [])
        for one in taken:
            show.default_taken(one)
    else:
        built, notes = branches.matched(arms, loads, network), ()
    netlist = "" if spice is None else filter_load.netlist(built, files)
    result = evaluate(
        built,
        drive_volt=options.drive.volt_rms if options.drive else None,
        amplifier_minimum_ohm=options.minimum_ohm,
    )
    transfer = measured.compare(measured_transfer, branch, result.solution)
    acoustic, missing = acoustics.estimate(result, files, options.drive)
    findings = (*notes, *result.findings, *(transfer.findings if transfer else ()))
    paired = options.stock is not None and options.stock.has_pairs
    cautions.print_cautions(cautions.for_network(result, paired=paired))
    if save_network is not None:
        write_text(save_network, network_file.as_text({one.name: one.arms for one in built}))
    if spice is not None:
        write_text(spice, netlist)
    if picture is not None:
        plots.save_picture(printing.curves(result, options, transfer), picture)
    forms.give(
        f"Crossover for {' and '.join(load.name for load in loads.values())}",
        printing.lead(result),
        printing.sections(result, options, transfer, findings, acoustic, missing),
        lambda: printing.document(result, options, transfer, findings, acoustic),
        as_json=as_json,
        report=report,
        units=[load.name for load in loads.values()],
        files={"Network": save_network, "SPICE": spice, "Picture": picture},
    )
